"""Which addresses of one scan are one device, and which entry of the inventory that is.

A serial number alone joins nothing: it is cloned with the settings of a device, or set to the same text on many. Two addresses
are one device where the inventory says so, or where they show one serial or engine id and independent evidence agrees: the
engine's boots and time, one SSH host key and one time of start, or one link-layer address on a link of ours. Addresses that an
earlier review knew for one device stay so, since a remediation such as SNMP that is switched off takes the evidence away.
Contrary evidence vetoes. Source: RFC 3414 section 2.2 (snmpEngineBoots and snmpEngineTime of one engine go on together), RFC 3418 (sysUpTime);
that a clone differs in them is common practice.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from hardenprobe.devices import matching
from hardenprobe.devices.inventory import Inventory, Listed
from hardenprobe.model import Identity

_SAME_START = 5.0  # seconds; sysUpTime is read within seconds of when its observation was asked
_SLACK = 30.0  # seconds; two addresses of one engine are asked at two moments, over lines of different length
_VETOES = ("engine-id", "printer-uuid", "host-key", "tls-key")


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What one address showed in one visit.

    Attributes:
        number: Of the visit.
        engines: Engine id, boots, and when the engine began to count, in seconds.
        starts: When its SNMP agent was started, in seconds.
        same_as: The address at which the device was met that states to have this one, too.
    """

    number: int
    address: str
    shown: tuple[Identity, ...]
    engines: tuple[tuple[str, int, float], ...] = ()
    starts: tuple[float, ...] = ()
    same_as: str | None = None

    def values(self, kind: str) -> frozenset[str]:
        """What it shows of one kind of identity."""
        return frozenset(one.value for one in self.shown if one.kind == kind)


@dataclass(kw_only=True)
class Group:
    """The answers of one device.

    Attributes:
        entry: What the inventory says of it.
    """

    answers: list[Answer]
    entry: Listed | None = None

    @property
    def addresses(self) -> frozenset[str]:
        return frozenset(one.address for one in self.answers)

    def values(self, kind: str) -> frozenset[str]:
        """What any of its addresses shows of one kind of identity."""
        return frozenset(value for one in self.answers for value in one.values(kind))


def group(answers: Sequence[Answer], inventory: Inventory, past: Sequence[matching.Met] = ()) -> list[Group]:
    """Put the answers of a scan together by device.

    Args:
        past: The devices of earlier reviews, the one that was met last first.
    """
    homes = _homes(answers, inventory, past)
    group_of: dict[int, Group] = {}
    showing: dict[tuple[str, str | None], list[Answer]] = {}
    for answer in answers:
        here = _listed_at(answer, inventory)
        home = homes.get(answer.address)
        traits = [*_traits(answer, here, home), ("same as", answer.address)]
        if answer.same_as:
            traits += [("address", answer.same_as), ("same as", answer.same_as)]
        near = {other.number: other for trait in traits for other in showing.get(trait, ())}
        mine = {
            id(group_of[number]): group_of[number]
            for number, other in near.items()
            if _one_device(answer, here, other, inventory, homes)
        }
        joined = Group(answers=[*(a for one in mine.values() for a in one.answers), answer])
        group_of.update((one.number, joined) for one in joined.answers)
        for trait in (*_traits(answer, here, home), ("same as", answer.same_as)):
            showing.setdefault(trait, []).append(answer)
    order = {answer.number: at for at, answer in enumerate(answers)}
    groups = list({id(one): one for one in group_of.values()}.values())
    for one in groups:
        one.answers.sort(key=lambda answer: order[answer.number])
    groups.sort(key=lambda one: order[one.answers[0].number])
    _name(groups, inventory)
    return groups


def _homes(
    answers: Iterable[Answer], inventory: Inventory, past: Sequence[matching.Met]
) -> Mapping[str, matching.Met]:
    """Address to the device that had it last, of devices that had several and that do not show themselves elsewhere now."""
    shown_at: dict[tuple[str, str], set[str]] = defaultdict(set)
    for answer in answers:
        for mark in matching.marks(answer.shown):
            shown_at[mark].add(answer.address)
    tags = {entry.asset_tag for entry in inventory.devices}
    homes: dict[str, matching.Met] = {}
    for one in past:
        for address in one.addresses:
            homes.setdefault(address, one)
    for one in past:
        for address in one.multihomed:
            homes.setdefault(address, one)
    return {
        address: one
        for address, one in homes.items()
        if address in one.multihomed
        and all(shown_at[mark] <= {*one.multihomed} for mark in one.marks if mark[0] in matching.BORN)
        # what the inventory alone said may be taken back there
        and (address in inventory.by_address or address not in one.listed_at or one.asset_tag not in tags)
    }


def _traits(
    answer: Answer, here: Listed | None, home: matching.Met | None
) -> Iterator[tuple[str, str | None]]:
    """What two answers of one device have in common, at least one of them; see `_one_device`."""
    yield "address", answer.address
    if home:
        yield "known", home.device
    if here:
        yield "tag", here.asset_tag
    for kind in ("serial", "engine-id"):
        for value in answer.values(kind):
            yield kind, value


def _listed_at(answer: Answer, inventory: Inventory) -> Listed | None:
    """The entry that the inventory has for an address, unless who answers there shows another serial."""
    here = inventory.by_address.get(answer.address)
    serials = answer.values("serial")
    if here and here.serial and serials and here.serial not in serials:
        return None
    return here


def _one_device(
    answer: Answer,
    here: Listed | None,
    other: Answer,
    inventory: Inventory,
    homes: Mapping[str, matching.Met],
) -> bool:
    if answer.address == other.address:
        return True
    there = _listed_at(other, inventory)
    if here and there:
        return here.asset_tag == there.asset_tag and not _serials_differ(answer, other)
    beside = answer.same_as == other.address or (answer.same_as and answer.same_as == other.same_as)
    if (beside and not here) or (other.same_as == answer.address and not there):
        return not (_serials_differ(answer, other) or _differ(answer, other))
    if _serials_differ(answer, other) or _differ(answer, other):
        return False
    if (home := homes.get(answer.address)) and home is homes.get(other.address):
        return all(
            matching.same(home.marks, matching.marks(one.shown)) is not False for one in (answer, other)
        )
    return (_share(answer, other, "serial") or _share(answer, other, "engine-id")) and _agree(answer, other)


def _agree(one: Answer, other: Answer) -> bool:
    """Whether what settings do not copy says that two addresses are one device."""
    engine = any(
        (id, boots) == (its, starts) and abs(began - since) <= _SLACK
        for id, boots, began in one.engines
        for its, starts, since in other.engines
    )
    start = any(abs(began - since) <= _SAME_START for began in one.starts for since in other.starts)
    return engine or (start and _share(one, other, "host-key")) or _share(one, other, "link-layer")


def _share(one: Answer, other: Answer, kind: str) -> bool:
    return bool(one.values(kind) & other.values(kind))


def _differ(one: Answer, other: Answer) -> bool:
    return any(
        one.values(kind) and other.values(kind) and not one.values(kind) & other.values(kind)
        for kind in _VETOES
    )


def _serials_differ(one: Answer, other: Answer) -> bool:
    mine, theirs = one.values("serial"), other.values("serial")
    return bool(mine and theirs and not mine & theirs)


def _name(groups: Sequence[Group], inventory: Inventory) -> None:
    """Find each device's entry: by its address, else by its serial, where no other device shows that."""
    holders: dict[str, list[Group]] = {}
    for one in groups:
        for serial in one.values("serial"):
            holders.setdefault(serial, []).append(one)
    taken: set[str] = set()
    waiting = []
    answered = {answer.address for one in groups for answer in one.answers}
    for one in groups:
        here = [entry for answer in one.answers if (entry := _listed_at(answer, inventory))]
        here += [
            entry
            for answer in one.answers
            if answer.same_as and answer.same_as not in answered  # it is silent where it is listed
            if (entry := _listed_at(replace(answer, address=answer.same_as), inventory))
        ]
        own = next((inventory.by_serial[s] for s in one.values("serial") if s in inventory.by_serial), None)
        at_home = own is None or own in here
        if here and at_home:
            one.entry = own or here[0]
            taken.add(one.entry.asset_tag)
        elif own:
            waiting.append((one, own))
    for one, own in waiting:
        alone = sum(other.entry is None for other in holders[own.serial or ""]) == 1
        if own.asset_tag not in taken and alone:
            one.entry = own
