"""Use as devices report it themselves: who was connected to which of their services when a scan read their tables. Pure.

A table shows one moment. It names users, and never that there are none.
"""

from __future__ import annotations

import hashlib
import secrets
from collections import Counter
from collections.abc import Container, Iterable
from typing import Any

from hardenprobe.model import Observation
from hardenprobe.model.usage import UsageSource, Use, expiry

KIND = "snmp-connections"
KEPT_DAYS = 90  # common practice (no published requirement)


def collect(
    review: str, seen: Iterable[Observation[Any]], scanners: Container[str] = ()
) -> tuple[UsageSource, tuple[Use, ...]] | None:
    """What the tables that a scan read say; None where it read none.

    Args:
        review: Id of the scan's review.
        seen: Observations, or what has their keys; those of other kinds are passed over.
        scanners: Our own addresses.
    """
    moments, devices, short = [], set(), 0
    counts: Counter[tuple[str, str, Any, int, str]] = Counter()
    for one in seen:
        if one.kind != KIND or one.endpoint is None:
            continue
        facts, device, moment = one.facts, one.endpoint.address, f"{one.asked_at[:19]}Z"
        if not (facts.listeners or facts.connections):
            continue
        moments.append(moment)
        devices.add(device)
        short += not facts.complete
        served = {(listener.transport, listener.port) for listener in facts.listeners}
        for peer in facts.connections:
            if (peer.transport, peer.port) in served and peer.peer not in scanners and peer.peer != device:
                counts[peer.peer, device, peer.transport, peer.port, moment] += 1
    if not moments:
        return None
    source = UsageSource(
        id=f"u-{secrets.token_hex(4)}",
        kind="table",
        name=f"of review {review}",
        sha256=hashlib.sha256(f"{KIND} {review}".encode()).hexdigest(),
        place="the device",
        first=min(moments),
        last=max(moments),
        packets=0,
        devices=tuple(sorted(devices)),
        expires=expiry(max(moments), KEPT_DAYS),
        notices=(f"{short} of {len(devices)} tables were not read to their end",) if short else (),
    )
    return source, tuple(_uses(source.id, counts))


def _uses(source: str, counts: Counter[tuple[str, str, Any, int, str]]) -> Iterable[Use]:
    merged: dict[tuple[str, str, Any, int], tuple[str, str, int]] = {}
    for (client, device, transport, port, moment), number in counts.items():
        first, last, known = merged.get((client, device, transport, port), (moment, moment, 0))
        merged[client, device, transport, port] = min(first, moment), max(last, moment), max(known, number)
    for (client, device, transport, port), (first, last, number) in merged.items():
        yield Use(
            source=source, client=client, address=device, transport=transport, port=port, first=first, last=last,
            conversations=number, bytes_sent=0, bytes_received=0,
        )  # fmt: skip
