"""Vantage points: the local addresses that requests are sent from."""

from __future__ import annotations

import socket
from collections.abc import Iterable, Sequence
from dataclasses import replace
from ipaddress import ip_address
from itertools import islice
from typing import Literal

from hardenprobe.addresses.edges import MOST_EDGES, edges
from hardenprobe.addresses.sets import AddressSet
from hardenprobe.devices.inventory import Inventory, NetworkSegment
from hardenprobe.errors import UsageError, clip
from hardenprobe.model import INVENTORY, Vantage
from hardenprobe.model.visit import Visit
from hardenprobe.planning.local_links import networks
from hardenprobe.planning.plan import Target
from hardenprobe.scope.scope import LOOPBACK, Scope

Family = Literal["ipv4", "ipv6"]

EDGES = "edges"
"""In place of a source: all local addresses at an edge of a declared list."""

MOST_SOURCES = 64
"""Vantage points that edges may make; every target is visited from each."""


def points(
    sources: Sequence[str], names: Sequence[str], targets: Sequence[Target], scope: Scope
) -> tuple[Vantage, ...]:
    """Make the vantage points of a scan.

    Without sources there is one, from which the route to each target decides. A source asks targets of its own family.
    Where no source is of a target's family, the route decides there: from the same vantage point where there is one
    source, else from one more.

    Raises:
        UsageError: A source is no address of this machine, has no route to a target or no target of its family, or names
            and sources do not pair.
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
    own = tuple(dict.fromkeys(_own(source) for source in sources))
    families: list[Family] = sorted({_family(str(target.first)) for target in targets})
    left: list[Family] = [family for family in families if family not in {_family(source) for source in own}]
    for source in own:
        _check_routes(source, targets)
    chosen = [_chosen(str(end)) for t in targets for end in (t.first, t.last) if _family(str(end)) in left]
    if scope.sources is not None:
        for one in dict.fromkeys(
            chosen
        ):  # where the system will choose, it must choose one of the testers' addresses
            scope.check_source(one or "that the system would choose")
    called = list(names) or (["here"] if len(own) < 2 else list(own))
    routed = tuple(dict.fromkeys(filter(None, chosen)))
    if len(own) < 2:
        given = own[0] if own else None
        return (_point(called[0], given, (*own, *routed), ("ipv4", "ipv6"), targets, scope),)
    made = [
        _point(name, source, (source,), (_family(source),), targets, scope)
        for name, source in zip(called, own, strict=True)
    ]
    if left:
        name = next(n for n in (*routed, "here", "by route") if n not in called)
        made.append(_point(name, None, routed, tuple(left), targets, scope))
    return tuple(made)


def remote(
    names: Sequence[str], segments: Sequence[NetworkSegment], targets: Sequence[Target], scope: Scope
) -> tuple[Vantage, ...]:
    """Make the vantage points of a scan by a cluster: the named ones ask every target, else each segment names its own.

    Raises:
        UsageError: There are neither names nor segments, or no segment holds a target.
    """
    if INVENTORY in names:
        raise UsageError(
            f"{INVENTORY!r} names what was read and not asked; call the vantage point something else"
        )
    if names:
        return tuple(Vantage(name=name, translated=scope.translated) for name in dict.fromkeys(names))
    if not segments:
        raise UsageError(
            "--cluster needs to know from where: name vantage points with --vantage NAME, or write `segments` in the "
            "inventory; `hardenprobe vantage list` shows those that are there"
        )
    asked = AddressSet.of(f"{t.first}-{t.last}" for t in targets)
    if left := asked - scope.exclude - AddressSet.of(n for one in segments for n in one.networks):
        raise UsageError(
            f"target {left.first()} is in no segment of the inventory, so no vantage point asks it; add its network to one, "
            "or name the vantage points with --vantage NAME"
        )
    found: dict[str, list[str]] = {}
    for one in segments:
        if AddressSet.of(one.networks) & asked:
            for name in one.vantages:
                found.setdefault(name, []).extend(one.networks)
    return tuple(
        Vantage(name=name, translated=scope.translated, networks=tuple(networks))
        for name, networks in found.items()
    )


def _point(
    name: str,
    source: str | None,
    sources: tuple[str, ...],
    families: tuple[Family, ...],
    targets: Sequence[Target],
    scope: Scope,
) -> Vantage:
    """A vantage point as the plan knows it; which addresses really asked is known after the scan."""
    asked = AddressSet.of(f"{t.first}-{t.last}" for t in targets if _family(str(t.first)) in families)
    ours = networks()
    on_link = None if ours is None else True if not asked - ours else None if asked & ours else False
    local = not asked - LOOPBACK
    return Vantage(
        name=name,
        source=source,
        on_link=True if local else on_link,
        translated=False if local or on_link else scope.translated,
        sources=sources,
        families=families,
    )


def _check_routes(source: str, targets: Sequence[Target]) -> None:
    """Refuse a source from which a target of its family cannot be asked.

    Raises:
        UsageError: Says which.
    """
    of_family = [t for t in targets if _family(str(t.first)) == _family(source)]
    if not of_family:
        raise UsageError(
            f"--source {source} reaches no target: none is of its address family; leave it out, or name such a target"
        )
    for target in of_family:
        for end in dict.fromkeys((str(target.first), str(target.last))):
            if _chosen(end, source) is None:
                raise UsageError(
                    f"--source {source} has no route to target {target.text}; name an address of this machine that reaches it, "
                    "or leave the source out, and the route to each target decides"
                )


def notices(vantages: Sequence[Vantage], targets: Sequence[Target]) -> list[str]:
    """Say where the route decides although a source was given, since no source is of the target's family."""
    given = {_family(v.source) for v in vantages if v.source}
    found = []
    for vantage in vantages:
        others = [
            t.text for t in targets if vantage.asks(str(t.first)) and _family(str(t.first)) not in given
        ]
        if others and given:
            more = f" and {len(others) - 1} more" if len(others) > 1 else ""
            found.append(
                f"vantage point {vantage.name}: no --source is of the family of {others[0]}{more}; "
                "the route to each decides the source"
            )
    return found


def used(vantages: Sequence[Vantage], visits: Iterable[Visit], scope: Scope) -> tuple[Vantage, ...]:
    """The vantage points as they really were, after the scan."""
    asked: dict[str, list[Visit]] = {}
    for visit in visits:
        asked.setdefault(visit.vantage, []).append(visit)
    return tuple(_as_used(one, asked[one.name], scope) if one.name in asked else one for one in vantages)


def _as_used(planned: Vantage, visits: Sequence[Visit], scope: Scope) -> Vantage:
    sources = tuple(sorted({v.source for v in visits if v.source})) or planned.sources
    links = {v.on_link for v in visits}
    on_link = links.pop() if len(links) == 1 else None
    return replace(
        planned,
        source=planned.source or (sources[0] if len(sources) == 1 else None),
        sources=sources,
        on_link=on_link,
        translated=False if on_link else scope.translated,
    )


def _family(address: str) -> Family:
    return "ipv6" if ":" in address else "ipv4"


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


def chosen_source(address: str) -> str | None:
    """The address of ours that the system would ask from, None without a route; nothing is sent."""
    return _chosen(address)


def _chosen(address: str, source: str | None = None) -> str | None:
    """The source that the system would choose, None without a route; connecting a datagram socket sends nothing.

    Args:
        source: Where ours is given.
    """
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as sock:
            if source:
                sock.bind((source, 0))
            sock.connect((address, 9))
            return str(sock.getsockname()[0])
    except OSError:
        return None
