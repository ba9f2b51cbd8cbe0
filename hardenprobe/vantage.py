"""Vantage points: the addresses of ours that a question comes from."""

from __future__ import annotations

import socket
from collections.abc import Sequence
from ipaddress import ip_address

from hardenprobe.errors import UsageError, clip
from hardenprobe.plan import Target
from hardenprobe.records import INVENTORY, Vantage
from hardenprobe.scope import Scope, is_loopback


def points(
    sources: Sequence[str], names: Sequence[str], targets: Sequence[Target], scope: Scope
) -> tuple[Vantage, ...]:
    """Make the vantage points of a scan; without sources, the one that the system would choose.

    Raises:
        UsageError: A source is no address of this machine, or names and sources do not pair.
    """
    if names and len(names) != max(1, len(sources)):
        raise UsageError(f"{len(names)} --vantage for {len(sources) or 1} --source; give one name for each")
    if INVENTORY in names:
        raise UsageError(
            f"{INVENTORY!r} names what was read and not asked; call the vantage point something else"
        )
    if len(set(names)) != len(names):
        raise UsageError("two vantage points have the same name")
    first = str(targets[0].first)
    local = all(is_loopback(str(end)) for t in targets for end in (t.first, t.last))
    given: list[str | None] = [_own(source) for source in sources]
    given = given or [_chosen(first)]
    called = list(names) or (["here"] if len(given) == 1 else [str(g) for g in given])
    return tuple(
        Vantage(
            name=name,
            source=source,
            on_link=True if local else None,
            translated=False if local else scope.translated,
        )
        for name, source in zip(called, given, strict=True)
    )


def _own(source: str) -> str:
    """A source address in plain text.

    Raises:
        UsageError: It is no address, or none of this machine's.
    """
    try:
        address = ip_address(source)
    except ValueError:
        raise UsageError(f"--source {clip(source)} is no IP address") from None
    if (refusal := _refused(str(address))) is not None:
        raise UsageError(f"--source {source} is no address of this machine: {refusal.strerror}")
    return str(address)


def is_ours(address: str) -> bool:
    """Tell whether this machine can ask from an address; nothing is sent."""
    return _refused(address) is None


def _refused(address: str) -> OSError | None:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as sock:
            sock.bind((address, 0))
    except OSError as exc:
        return exc
    return None


def _chosen(address: str) -> str | None:
    """The source that the system would choose; connecting a datagram socket sends nothing."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as sock:
            sock.connect((address, 9))
            return str(sock.getsockname()[0])
    except OSError:
        return None
