"""Vantage points: the local addresses that requests are sent from."""

from __future__ import annotations

import socket
from collections.abc import Sequence
from ipaddress import ip_address
from itertools import islice

from hardenprobe.addresses.edges import MOST_EDGES, edges
from hardenprobe.addresses.sets import AddressSet
from hardenprobe.devices.inventory import Inventory
from hardenprobe.errors import UsageError, clip
from hardenprobe.model import INVENTORY, Vantage
from hardenprobe.planning.plan import Target
from hardenprobe.scope.scope import Scope, is_loopback

EDGES = "edges"
"""In place of a source: all local addresses at an edge of a declared list."""

MOST_SOURCES = 64
"""Vantage points that edges may make; every target is visited from each."""


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
    if (refusal := _refusal(str(address))) is not None:
        raise UsageError(f"--source {source} is no address of this machine: {refusal}")
    return str(address)


def at_edges(known: Inventory, targets: Sequence[Target]) -> tuple[str, ...]:
    """Local addresses at an edge of a list that is declared for one of the targets, just inside or just outside.

    Raises:
        UsageError: This machine has no such address, or more than `MOST_SOURCES`.
    """
    asked = AddressSet.of(f"{t.first}-{t.last}" for t in targets)
    lists: set[tuple[int, tuple[str, ...]]] = set()  # family of the device, entries; a fleet shares a few
    for address, device in known.by_address.items():
        if not device.allow_lists or address not in asked:
            continue
        declared = [one for one in device.allow_lists if one.entries]  # an empty one admits everyone
        for service in {s for one in declared for s in one.services}:
            united = {e for one in declared if service in one.services for e in one.entries}
            lists.add((ip_address(address).version, tuple(sorted(united))))
    found: dict[str, None] = {}
    for version, entries in sorted(lists):
        listed = AddressSet.of(entries)
        admitted = AddressSet(v4=listed.v4) if version == 4 else AddressSet(v6=listed.v6)
        for edge in islice(edges(admitted), MOST_EDGES):
            found |= {side: None for side in (edge.inside, edge.outside) if is_ours(side)}
            if len(found) > MOST_SOURCES:
                raise UsageError(
                    f"--source {EDGES}: more than {MOST_SOURCES} addresses of this machine are at edges of declared lists; "
                    "name those that you want with --source ADDRESS"
                )
    if not found:
        raise UsageError(
            f"--source {EDGES}: no address of this machine is at an edge of a list that the inventory declares "
            "for a target; name one that is admitted and one that is not with --source ADDRESS"
        )
    return tuple(found)


def is_ours(address: str) -> bool:
    """Tell whether this machine can ask from an address; nothing is sent."""
    return _refusal(address) is None


def _refusal(address: str) -> str | None:
    """Why nothing can be sent from an address; connecting a datagram socket to itself sends nothing."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as sock:
            sock.bind((address, 0))
            # Wildcard, multicast and broadcast addresses can be bound, and the system then asks from another.
            sock.connect((address, 9))
            same = str(sock.getsockname()[0]) == address
    except OSError as exc:
        return exc.strerror
    return None if same and not ip_address(address).is_multicast else "nothing is sent from it"


def _chosen(address: str) -> str | None:
    """The source that the system would choose; connecting a datagram socket sends nothing."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as sock:
            sock.connect((address, 9))
            return str(sock.getsockname()[0])
    except OSError:
        return None
