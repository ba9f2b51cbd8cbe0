"""The devices that the reviews of a scope met, as a new scan must know them again."""

from __future__ import annotations

from dataclasses import replace

from hardenprobe.devices import matching
from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.model import Device
from hardenprobe.model.rows import read_device
from hardenprobe.store.device_rows import pages
from hardenprobe.store.store import UNREADABLE, Store

_REVIEWS = 6  # how far back is looked for what a device does not show any more, such as a serial number


def known_devices(store: Store, scope: str) -> tuple[matching.Met, ...]:
    """Every device of a scope, each with what it showed last of each kind; the one that was met last first.

    A recheck tells nothing of who is who: what it does not recognise it does not judge. A review that cannot be read is left
    out; `hardenprobe reviews` says of it that it was changed.
    """
    found: dict[str, matching.Met] = {}
    away: set[str] = set()  # not met since; what it showed when it was met last is further back
    rechecks = store.rechecks()
    scans = [review for review in reversed(store.of_scope(scope)) if review not in rechecks]
    for back, review in enumerate(scans):
        try:
            rows = store.rows(review)
            devices = _devices(
                store,
                review,
                [n for id, n in rows.items() if back < _REVIEWS or id not in found or id in away],
            )
        except (StoreRefused, UsageError, *UNREADABLE):
            continue
        for device in devices:
            marks = matching.marks(device.identity)
            known = found.get(device.id)
            if known is None:
                found[device.id] = matching.Met(
                    device=device.id,
                    marks=marks,
                    addresses=_addresses(device),
                    asset_tag=device.asset_tag,
                    formerly=device.formerly,
                    listed_at=device.listed_at,
                    multihomed=device.multihomed,
                )
                away |= set() if device.services else {device.id}
                continue
            kinds = {kind for kind, _ in known.marks}
            older = tuple(mark for mark in marks if mark[0] not in kinds)
            met_before = device.id in away and bool(device.services)
            found[device.id] = replace(
                known,
                marks=(*known.marks, *older),
                addresses=_addresses(device) if met_before else known.addresses,
            )
            away -= {device.id} if met_before else set()
    return tuple(found.values())


def _devices(store: Store, review: str, rows: list[int]) -> list[Device]:
    return [read_device(record) for page in pages(sorted(rows)) for record in store.records(review, page)]


def _addresses(device: Device) -> frozenset[str]:
    return frozenset(one.address for one in device.addresses)
