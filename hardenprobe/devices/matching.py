"""Whether a device is one that an earlier review met, so that it keeps its id, its dates and what was accepted of it.

A remediation can take away what a device was known by: with SNMP off, its serial number is not read any more. Addresses change,
devices are listed, given a serial, renamed and retagged. So a device is known again by whatever it still shows of what it showed
before, the most telling first, and by its address alone only where nothing speaks against it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from hardenprobe.model import INVENTORY, TARGET, Identity

BORN = ("serial", "engine-id", "printer-uuid")
"""The kinds that a fix changes in no device: where both have one and they differ, it is another device."""

KEPT = (*BORN, "host-key", "tls-key", "link-layer", "name")
"""The kinds that a device is known again by, the most telling first."""


@dataclass(frozen=True, kw_only=True)
class Known:
    """A device as an earlier review met it at an address.

    Attributes:
        device: Its id.
        marks: (kind, value) of what it showed of `KEPT`.
        formerly: Ids that it had besides.
        multihomed: As in model.Device.
    """

    device: str
    marks: tuple[tuple[str, str], ...] = ()
    formerly: tuple[str, ...] = ()
    multihomed: tuple[str, ...] = ()


def marks(shown: Iterable[Identity]) -> tuple[tuple[str, str], ...]:
    """What of that which a device shows tells it again; what we say of it ourselves is nothing that it shows."""
    found = {
        (i.kind, i.value) for i in shown if i.kind in KEPT and i.source not in (INVENTORY, "scan", TARGET)
    }
    return tuple(sorted(found, key=lambda mark: (KEPT.index(mark[0]), mark[1])))


def same(before: Iterable[tuple[str, str]], now: Iterable[tuple[str, str]]) -> bool | None:
    """Tell whether it is the same device: True, False for another one, None where nothing tells.

    >>> same([("serial", "A1"), ("name", "printer")], [("serial", "B2"), ("name", "printer")])
    False
    >>> same([("serial", "A1"), ("name", "printer")], [("name", "printer")])
    True
    >>> same([("tls-key", "11")], [("tls-key", "22")]) is None
    True
    """
    old, new = set(before), set(now)
    for kind in KEPT:
        was, has = ({value for one, value in marks if one == kind} for marks in (old, new))
        if was & has:
            return True
        if was and has and kind in BORN:
            return False
    return None


Marks = tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class Met:
    """A device as a review met it: the newest one before, or the one that is under way.

    Attributes:
        device: Its id.
        marks: (kind, value) of what it showed of `KEPT`.
        formerly: Ids that it had besides.
        listed_at, multihomed: As in model.Device.
    """

    device: str
    marks: Marks
    addresses: frozenset[str]
    asset_tag: str | None = None
    formerly: tuple[str, ...] = ()
    listed_at: tuple[str, ...] = ()
    multihomed: tuple[str, ...] = ()

    def of(self, kind: str) -> frozenset[str]:
        """What it showed of one kind."""
        return frozenset(value for one, value in self.marks if one == kind)


def continued(now: Sequence[Met], past: Sequence[Met], listed: Collection[str] = ()) -> dict[str, str]:
    """Which devices of a scan are which devices of earlier reviews.

    Args:
        now: Under the ids that they would have without a past.
        past: Of every device the newest; the one that was met last first, which an address or asset tag means.
        listed: Asset tags of the inventory; who had one of them and has another now is another device.

    Returns:
        Id without a past to earlier id, each at most once.
    """
    here = Counter(mark for one in now for mark in set(one.marks))
    there = Counter(mark for one in past for mark in set(one.marks))
    own = {mark for mark in here if here[mark] == 1 and there[mark] == 1}
    found: dict[str, str] = {}
    taken: set[str] = set()
    by_what = _index(past, own)
    order = {p.device: number for number, p in enumerate(past)}
    # An asset tag says less than a key: an inventory gives it to whoever answers at the listed address.
    for rank in (*BORN, "host-key", "tls-key", "link-layer", "asset-tag", "name", "address"):
        pairs: list[tuple[Met, Met]] = []
        for one in now:
            if one.device in found:
                continue
            wanted = [(rank, value) for value in _of(one, rank, own)]
            befores = {p.device: p for key in wanted for p in by_what.get(key, ()) if p.device not in taken}
            likely = [p for p in befores.values() if not _contrary(p, one, rank, listed)]
            likely.sort(key=lambda p: order[p.device])
            pairs += [(one, p) for p in (likely if rank in KEPT else likely[:1])]
        alone_now, alone_then = Counter(n.device for n, _ in pairs), Counter(p.device for _, p in pairs)
        for one, before in pairs:
            if alone_now[one.device] == alone_then[before.device] == 1:
                found[one.device] = before.device
                taken.add(before.device)
    return found


def holders(past: Iterable[Met]) -> list[Met]:
    """The devices of earlier reviews that no other has followed at any of their addresses.

    Args:
        past: The one that was met last first.
    """
    found: list[Met] = []
    taken: set[str] = set()
    for one in past:
        if taken.isdisjoint(one.addresses):
            found.append(one)
        taken |= one.addresses
    return found


def merged(
    now: Met, shown: Mapping[str, Marks], past: Iterable[Met], listed: Collection[str] = ()
) -> list[Met]:
    """Which devices of earlier reviews a device of several addresses, met or listed, is besides the one whose id it keeps.

    Args:
        shown: By address what it shows there.
        past: Those that no device of the scan is known to be.
        listed: Asset tags of the inventory.
    """
    if len({*now.addresses, *now.listed_at}) < 2:
        return []
    return [p for p in past if p.asset_tag not in listed and _is_part(p, now, shown)]


def _is_part(before: Met, now: Met, shown: Mapping[str, Marks]) -> bool:
    """Whether what was met at some addresses is what shows itself there now, and nothing speaks against it.

    Where nobody answers by now, nothing can: only a device that never showed anything is part of another then.
    """
    here = tuple(mark for address in before.addresses for mark in shown.get(address, ()))
    again = same(before.marks, here)
    if again is not None:
        return again
    kinds = {kind for kind, _ in before.marks} & {kind for kind, _ in here}
    own = now.addresses if before.marks else now.addresses | {*now.listed_at}
    return bool(before.addresses) and before.addresses <= own and not kinds


def _of(one: Met, rank: str, own: Collection[tuple[str, str]]) -> Iterable[str]:
    """What of a device is looked up at a rank."""
    if rank == "asset-tag":
        return (one.asset_tag,) if one.asset_tag else ()
    if rank == "address":
        return one.addresses
    return [value for value in one.of(rank) if (rank, value) in own]


def _index(past: Sequence[Met], own: Collection[tuple[str, str]]) -> Mapping[tuple[str, str], list[Met]]:
    found: dict[tuple[str, str], list[Met]] = {}
    for one in past:
        for rank in ("asset-tag", "address", *KEPT):
            for value in _of(one, rank, own):
                found.setdefault((rank, value), []).append(one)
    return found


def _contrary(before: Met, now: Met, rank: str, listed: Collection[str]) -> bool:
    """Whether something speaks against two being one device."""
    differ = [
        kind for kind in BORN if before.of(kind) and now.of(kind) and not before.of(kind) & now.of(kind)
    ]
    if rank == "serial":
        return False
    if "serial" in differ or (differ and rank != "asset-tag"):
        return True
    if rank in KEPT and rank != "name":  # a key of its own outweighs an inventory that goes by address
        return False
    return (
        None not in (before.asset_tag, now.asset_tag)
        and before.asset_tag != now.asset_tag
        and before.asset_tag in listed
    )
