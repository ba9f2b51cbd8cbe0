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
        ScopeRefused: The system would choose a source that is none of the testers' addresses.
    """
    if names and len(names) != max(1, len(sources)):
        raise UsageError(f"{len(names)} --vantage for {len(sources) or 1} --source; give one name for each")
    if INVENTORY in names:
        raise UsageError(
            f"{INVENTORY!r} names what was read and not asked; call the vantage point something else"
        )
    if len(set(names)) != len(names):
        raise UsageError("two vantage points have the same name")
    ends = [str(end) for target in targets for end in (target.first, target.last)]
    local = all(map(is_loopback, ends))
    own = [_own(source) for source in sources]
    if scope.sources is not None:
        for end in ends:  # where the system will choose, it must choose one of the testers' addresses
            if not own or any(_other_family(source, end) for source in own):
                scope.check_source(_chosen(end) or "that the system would choose")
    given: list[str | None] = [*own] or [_chosen(ends[0])]
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


def notices(vantages: Sequence[Vantage], targets: Sequence[Target]) -> list[str]:
    """Say where a source cannot be used, since the target is of the other family."""
    found = []
    for vantage in vantages:
        others = [t.text for t in targets if vantage.source and _other_family(vantage.source, str(t.first))]
        if others:
            more = f" and {len(others) - 1} more" if len(others) > 1 else ""
            found.append(
                f"vantage point {vantage.name}: {vantage.source} cannot ask {others[0]}{more}, of the other family; "
                "the system chooses the source there"
            )
    return found


def _other_family(source: str, address: str) -> bool:
    return (":" in source) != (":" in address)


def _own(source: str) -> str:
    """A source address in plain text.

    Raises:
        UsageError: It is no address, or none of this machine's.
    """
    try:
        address = ip_address(source)
    except ValueError:
        raise UsageError(f"--source {clip(source)} is no IP address") from None
    family = socket.AF_INET6 if address.version == 6 else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as sock:
            sock.bind((str(address), 0))
    except OSError as exc:
        raise UsageError(f"--source {source} is no address of this machine: {exc.strerror}") from None
    return str(address)


def _chosen(address: str) -> str | None:
    """The source that the system would choose; connecting a datagram socket sends nothing."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as sock:
            sock.connect((address, 9))
            return str(sock.getsockname()[0])
    except OSError:
        return None
