"""From addresses to devices: what was met, and which of the inventory's devices it is.

A device's id is a digest of what identified it when it was met first, the strongest first: serial, asset tag, engine id, SSH
host key, TLS key, name, address. Later reviews keep the id where evidence says that it is the same device (matching.py); which
addresses are one device is decided in grouping.py.
"""

from __future__ import annotations

import hashlib
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from ipaddress import ip_address
from itertools import islice
from typing import Any

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.devices import matching, self_description
from hardenprobe.devices.grouping import Answer, group
from hardenprobe.devices.inventory import Inventory, Listed
from hardenprobe.devices.matching import Known
from hardenprobe.devices.visit_notes import VisitNote, VisitNotes, better
from hardenprobe.facts import (
    AddressAsked,
    DeclaredAllowList,
    DeclaredDevice,
    NotListed,
    NotMet,
    OtherAddress,
)
from hardenprobe.model import (
    INVENTORY,
    NOT_PLANNED,
    TARGET,
    Address,
    Cost,
    Coverage,
    Device,
    Elsewhere,
    Identity,
    Merged,
    Missed,
    NotAssessed,
    Observation,
    Service,
    SocketRecord,
    State,
    Unlisted,
    Vantage,
)
from hardenprobe.model.rows import (
    Part,
    device_text,
    entries_text,
    merged,
    owned,
    read_device,
    read_observations,
)
from hardenprobe.model.scratch import Scratch
from hardenprobe.model.transcript import observation, utc_now

MOST_SOCKETS = 64  # that one observation names; a device has some 50 ports that are looked at
ORDER = (
    "serial", "asset-tag", "engine-id", "printer-uuid", "host-key", "tls-key", "link-layer", "name", "address",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Aside:
    """One device whose record and observations were put aside.

    Attributes:
        key: By which devices are sorted.
        record, declared: Numbers of texts: its record, and the observations that no visit made.
        visits: Those that made the others.
    """

    key: tuple[int, int]
    id: str
    record: int
    declared: int
    visits: tuple[VisitNote, ...] = ()


class Fleet:
    """The devices of a scan with what was seen of each, and what was not seen. They are read again each time.

    Attributes:
        coverage: What was seen, and what not.
        notices: What people should know, one line each.
    """

    def __init__(
        self, texts: Scratch, aside: Iterable[_Aside], coverage: Coverage, notices: Iterable[str] = ()
    ) -> None:
        self.coverage = coverage
        self.notices = tuple(notices)
        self._texts = texts
        self._aside = sorted(aside, key=lambda one: one.key)

    def __len__(self) -> int:
        return len(self._aside)

    def __iter__(self) -> Iterator[Part]:
        """The devices by their first address, as rows without results."""
        for one in self._aside:
            entries = (self._texts[one.declared], *(visit.entries(one.id) for visit in one.visits))
            yield Part(
                device=one.id, record=self._texts[one.record], observations=merged(entries), results="[]"
            )

    @property
    def devices(self) -> tuple[Device, ...]:
        """All of them at once."""
        return tuple(read_device(self._texts[one.record]) for one in self._aside)

    @property
    def observations(self) -> dict[str, tuple[Observation[Any], ...]]:
        """All at once, by device."""
        return {part.device: tuple(read_observations(part.observations)) for part in self}


def settle(
    visits: VisitNotes,
    inventory: Inventory,
    names: Mapping[str, tuple[str, ...]],
    coverage: Coverage,
    known: Mapping[str, Known] | None = None,
    past: Sequence[matching.Met] = (),
    planned: AddressSet | None = None,
    vantages: Sequence[Vantage] = (),
) -> Fleet:
    """Decide which device answered at each address.

    A listed device that was met keeps what was seen at those of its addresses that did not answer.

    Args:
        names: Address to the names by which it was asked for.
        coverage: What was planned, and how many addresses were visited beside these visits; the rest is filled in.
        known: Address to the device that an earlier review met there, and that keeps its id while it is still the same.
        past: The devices of earlier reviews, whose ids are kept where evidence says that they are the same.
        planned: The addresses of the plan.
        vantages: From each of which every one of those in its networks should have been asked.
    """
    met = [
        v
        for v in visits
        if v.visit.outcome == "answered" or (v.visit.outcome == "unfinished" and v.observations)
    ]
    silent: dict[str, list[VisitNote]] = defaultdict(list)
    beside: dict[str | None, list[VisitNote]] = defaultdict(list)  # by the address where the device was met
    for note in visits:
        if note.visit.outcome in ("silent", "refused") and note.observations:
            silent[note.visit.address].append(note)
            beside[note.visit.same_as].append(note)
    answers = [
        Answer(
            number=n,
            address=v.visit.address,
            shown=v.shown,
            engines=v.engines,
            starts=v.starts,
            same_as=v.visit.same_as,
        )
        for n, v in enumerate(met)
    ]
    common = Counter(
        (kind, value) for _, kind, value in {(v.visit.address, e.kind, e.value) for v in met for e in v.shown}
    )
    groups: dict[str, list[VisitNote]] = {}
    listed: dict[str, Listed] = {}
    shown: list[matching.Met] = []
    at_address = {
        address: matching.marks(i for answer in some for i in answer.shown)
        for address, some in _by_place(answers).items()
    }
    formerly: dict[str, tuple[str, ...]] = {}
    for together in group(answers, inventory, past):
        stated = [identity for answer in together.answers for identity in answer.shown]
        device = _device_id(together.entry, stated, together.answers[0].address, common)
        marks = matching.marks(stated)
        again_met: dict[str, tuple[str, ...]] = {}
        for answer in together.answers:
            if earlier := (known or {}).get(answer.address):
                again = matching.same(earlier.marks, marks)
                if again is False and device == earlier.device:
                    together.entry = None  # whatever the inventory says, somebody else answers there
                    device = _device_id(None, stated, answer.address, common)
                elif again or not earlier.marks:  # it was known by its address alone
                    again_met[earlier.device] = earlier.formerly
        if again_met:
            device, *others = again_met
            formerly[device] = tuple(
                dict.fromkeys((*others, *(id for had in again_met.values() for id in had)))
            )
        if device in groups and not known:  # a clone shows what it was named by
            device = _other_id(device, together.answers[0].address)
        groups.setdefault(device, []).extend(met[answer.number] for answer in together.answers)
        if together.entry:
            listed[device] = together.entry
        tag = together.entry.asset_tag if together.entry else None
        shown.append(
            matching.Met(
                device=device,
                marks=marks,
                addresses=together.addresses,
                asset_tag=tag,
                listed_at=_listed_at(together.entry),
            )
        )
    ids, mergers = _kept_ids(shown, past, inventory, at_address)
    formerly |= mergers
    groups = {ids.get(device, device): members for device, members in groups.items()}
    listed = {ids.get(device, device): entry for device, entry in listed.items()}
    told = _Told(visits.texts)
    had = {p.device: p.multihomed for p in past} | {k.device: k.multihomed for k in (known or {}).values()}
    for device, members in groups.items():
        entry = listed.get(device)
        own = _listed_at(entry)
        places = dict.fromkeys(v.visit.address for v in members)
        found = [e for v in members for e in v.stated()[0]]
        members += [v for address in own for v in silent.get(address, ())]
        members += [v for at in places for v in beside.get(at, ()) if v.visit.address not in own]
        asked = tuple(_asked(members, own, planned, vantages))
        when = next((o.asked_at for o in asked), _first_asked(members))
        seen: tuple[Observation[Any], ...] = asked
        if entry:
            seen = (*_declared(entry, inventory, when), *asked)
        elif inventory.devices:
            seen = (_not_listed(members, inventory, when), *asked)
        services = _services(one for v in members for one in v.stated()[1])
        described = _describe(device, entry, members, found, services, names)
        before = formerly.get(device, ())
        multihomed = _multihomed(places, own, *(had.get(id, ()) for id in (device, *before)))
        told.add(replace(described, formerly=before, multihomed=multihomed), seen, members, entry)
    coverage = _coverage(coverage, visits, inventory, told, listed)
    when = _first_asked(visits) or utc_now()
    kept_past = [p for p in past if p.device not in {id for some in formerly.values() for id in some}]
    for one, seen in _not_met(coverage, inventory, names, when, visits, set(groups), kept_past):
        told.add_missed(one, seen)
    told.merged.sort(key=_by_address)
    several = tuple(Merged(device=d.id, formerly=d.formerly) for d in told.merged)
    return Fleet(
        visits.texts, told.aside, replace(coverage, merged=several), _merger_notices(told.merged, past)
    )


class _Told:
    """Puts devices aside one by one, and keeps what coverage says of them."""

    def __init__(self, texts: Scratch) -> None:
        self._texts = texts
        self.aside: list[_Aside] = []
        self.met: list[tuple[_Aside, str, str | None]] = []  # with the first address and asset tag
        self.elsewhere: dict[str, list[Elsewhere]] = {}
        self.not_assessed: dict[str, list[NotAssessed]] = {}
        self.merged: list[Device] = []

    def add(
        self,
        device: Device,
        seen: Iterable[Observation[Any]],
        visits: Iterable[VisitNote],
        entry: Listed | None,
    ) -> None:
        """A device that was met."""
        visits = tuple(visits)
        self.met.append((self._put(device, seen, visits), device.addresses[0].address, device.asset_tag))
        self.not_assessed[device.id] = list(_not_assessed(device, (o for v in visits for o in v.others)))
        if entry:
            self.elsewhere[device.id] = list(_elsewhere(device, entry))

    def add_missed(self, device: Device, seen: Iterable[Observation[Any]]) -> None:
        """A device that was looked for in vain."""
        self._put(device, seen, ())

    def _put(self, device: Device, seen: Iterable[Observation[Any]], visits: tuple[VisitNote, ...]) -> _Aside:
        seen = tuple(seen)
        if device.formerly:
            self.merged.append(device)
        made = _Aside(
            key=_by_address(device),
            id=device.id,
            record=self._texts.add(device_text(device)),
            declared=self._texts.add(owned(entries_text(seen), device.id, len(seen))),
            visits=visits,
        )
        self.aside.append(made)
        return made


def _by_place(answers: Iterable[Answer]) -> Mapping[str, list[Answer]]:
    found: dict[str, list[Answer]] = defaultdict(list)
    for answer in answers:
        found[answer.address].append(answer)
    return found


def _merger_notices(devices: Iterable[Device], past: Iterable[matching.Met]) -> Iterable[str]:
    """Say which devices turned out to be one in this scan."""
    before = {id: p for p in past for id in (p.device, *p.formerly)}
    for device in devices:
        known = set(before[device.id].formerly) if device.id in before else set()
        for id in device.formerly:
            if id not in known:
                at = f" at {', '.join(sorted(before[id].addresses))}" if id in before else ""
                yield (
                    f"{device.label} is the device {id}{at} of earlier reviews too: what is known and decided of that one "
                    f"goes on under {device.id}"
                )


def _first_asked(visits: Iterable[VisitNote]) -> str:
    return next((v.began for v in visits if v.observations), "")


def _listed_at(entry: Listed | None) -> tuple[str, ...]:
    return tuple(str(ip_address(text)) for text in entry.addresses) if entry else ()


def _multihomed(*together: Iterable[str]) -> tuple[str, ...]:
    """Of addresses that a device has at once those that are not the only one of their family; see model.Device."""
    found: set[str] = set()
    for addresses in together:
        families = Counter(ip_key(address)[0] for address in addresses)
        found |= {address for address in addresses if families[ip_key(address)[0]] > 1}
    return tuple(sorted(found, key=ip_key))


def _by_address(device: Device) -> tuple[int, int]:
    return ip_key(device.addresses[0].address)


def ip_key(address: str) -> tuple[int, int]:
    """Sort key: IPv4 before IPv6, then by number."""
    ip = ip_address(address)
    return ip.version, int(ip)


def _kept_ids(
    shown: Sequence[matching.Met],
    past: Sequence[matching.Met],
    inventory: Inventory,
    at_address: Mapping[str, matching.Marks],
) -> tuple[dict[str, str], dict[str, tuple[str, ...]]]:
    """The id of each device, by the one that it would have without a past; and by its id those that it had besides."""
    tags = {entry.asset_tag for entry in inventory.devices}
    parts = {id for one in past for id in one.formerly}  # of another device, unless they are met apart again
    whole = [one for one in past if one.device not in parts]
    kept = matching.continued(shown, whole, tags)
    rest = [one for one in shown if one.device not in kept]
    kept |= matching.continued(rest, [one for one in past if one.device in parts], tags)
    left = [one for one in matching.holders(whole) if one.device not in kept.values()]
    before = {one.device: one for one in past}
    formerly: dict[str, tuple[str, ...]] = {}
    for one in shown:
        joining = matching.merged(one, at_address, left, tags)
        left = [other for other in left if other not in joining]
        if joining and one.device not in kept:
            kept[one.device] = joining.pop(0).device
        if own := before.get(kept.get(one.device, "")):
            had = (*own.formerly, *(id for other in joining for id in (other.device, *other.formerly)))
            formerly[own.device] = tuple(dict.fromkeys(id for id in had if id not in kept.values()))
    for one in shown:
        if one.device not in kept and one.device in before:  # somebody else had this id, or has it still
            mark = next((f"{kind}:{value}" for kind, value in one.marks), min(one.addresses))
            kept[one.device] = _other_id(one.device, mark)
    return kept, formerly


def _other_id(device: str, mark: str) -> str:
    """An id for a device that would be mistaken for another one."""
    return "dev-" + hashlib.sha256(f"other than {device}, {mark}".encode()).hexdigest()[:16]


def _device_id(
    entry: Listed | None, evidence: Iterable[Identity], address: str, common: Counter[tuple[str, str]]
) -> str:
    given = {e.kind: e.value for e in evidence if e.strength == "strong" or common[e.kind, e.value] == 1}
    if entry:
        given = {"serial": entry.serial} if entry.serial else {"asset-tag": entry.asset_tag}
    kind = next((k for k in ORDER if given.get(k)), "address")
    value = given.get(kind, address)
    return "dev-" + hashlib.sha256(f"{kind}:{value}".encode()).hexdigest()[:16]


def _describe(
    device: str,
    entry: Listed | None,
    members: Sequence[VisitNote],
    evidence: Iterable[Identity],
    services: tuple[Service, ...],
    names: Mapping[str, tuple[str, ...]],
) -> Device:
    addresses = sorted({v.visit.address for v in members}, key=ip_key)
    known = list(dict.fromkeys(evidence))
    if entry:
        if entry.serial:
            known.insert(
                0, Identity(kind="serial", value=entry.serial, source="inventory", strength="strong")
            )
        if entry.make_model:
            known.insert(
                0, Identity(kind="make-model", value=entry.make_model, source="inventory", strength="weak")
            )
        known.insert(
            0, Identity(kind="asset-tag", value=entry.asset_tag, source="inventory", strength="strong")
        )
    else:
        known.extend(Identity(kind="address", value=a, source="scan", strength="weak") for a in addresses)
    known.extend(
        Identity(kind="name", value=name, source=TARGET, strength="weak")
        for name in dict.fromkeys(n for a in addresses for n in names.get(a, ()))
    )
    called = [
        *(entry.names if entry else ()),
        *(e.value for e in known if e.kind == "name" and e.source == TARGET),
    ]
    called += [e.value for e in known if e.kind == "name"]
    return Device(
        id=device,
        addresses=tuple(
            Address(address=a, family="ipv6" if ip_address(a).version == 6 else "ipv4") for a in addresses
        ),
        names=tuple(dict.fromkeys(called)),
        kind=entry.kind if entry and entry.kind != "unknown" else self_description.device_kind(known),
        make_model=self_description.make_model(known),
        asset_tag=entry.asset_tag if entry else None,
        place=entry.place if entry else None,
        owner=entry.owner if entry else None,
        listed_at=_listed_at(entry),
        criticality=entry.criticality if entry else None,
        ccss=entry.ccss if entry else None,
        tags=entry.tags if entry else (),
        identity=tuple(known),
        services=services,
        cost=sum((v.visit.cost for v in members), Cost()),
    )


def _services(sights: Iterable[Service]) -> tuple[Service, ...]:
    """Every port that did something, from whichever visit it says most."""
    found: dict[tuple[str, str, int], Service] = {}
    for one in sights:
        key = (one.address, one.transport, one.port)
        if better(one, found.get(key)):
            found[key] = one
    return tuple(sorted(found.values(), key=lambda s: (ip_key(s.address), s.transport, s.port)))


def _declared(entry: Listed, inventory: Inventory, when: str) -> tuple[Observation[Any], ...]:
    """What the inventory says, as observations beside the others, so that a stored review is judged from itself."""
    declared: list[Any] = [
        DeclaredDevice(
            asset_tag=entry.asset_tag,
            device_kind=entry.kind,
            names=entry.names,
            criticality=entry.criticality,
            fragile=entry.fragile,
            pinned_key=entry.pinned_key,
            source=inventory.source,
        )
    ]
    declared += [
        DeclaredAllowList(
            services=a.services,
            entries=a.entries,
            position=i,
            approved=inventory.approved_networks,
            source=inventory.source,
            copied=a.copied,
        )
        for i, a in enumerate(entry.allow_lists, 1)
    ]
    return tuple(observation(facts, None, INVENTORY, when) for facts in declared)


def _asked(
    members: Sequence[VisitNote],
    own: Iterable[str],
    planned: AddressSet | None,
    vantages: Sequence[Vantage],
) -> Iterable[Observation[AddressAsked]]:
    """From each vantage point what became of each address of a device that the plan holds.

    Args:
        own: The device's addresses by the inventory.
    """
    others = (o.address for v in members for o in v.others if o.left_out is None)
    addresses = dict.fromkeys(
        [*(a for a in own if planned and a in planned), *(v.visit.address for v in members), *others]
    )
    visited = {(v.visit.vantage, v.visit.address): v for v in members}
    when = _first_asked(members)
    for vantage in vantages:
        for address in filter(vantage.covers, addresses):
            note = visited.get((vantage.name, address))
            facts = AddressAsked(address=address, outcome="not asked")
            if note:
                visit = note.visit
                facts = AddressAsked(
                    address=address, outcome=visit.outcome, source=visit.source, on_link=visit.on_link
                )
            at = note.began if note and note.observations else when
            yield observation(facts, None, vantage.name, at)


def _not_listed(members: Sequence[VisitNote], inventory: Inventory, when: str) -> Observation[NotListed]:
    addresses = tuple(sorted({v.visit.address for v in members}, key=ip_key))
    here = next((inventory.by_address[a].asset_tag for a in addresses if a in inventory.by_address), None)
    facts = NotListed(addresses=addresses, address_of=here, source=inventory.source)
    answered = (o for v in members for o in v.seen() if _answers(o))
    return observation(facts, None, INVENTORY, when, sockets=_sockets(answered, when))


def _answers(seen: Observation[Any]) -> bool:
    return getattr(seen.facts, "state", None) is State.ACCEPTING


def _sockets(seen: Iterable[Observation[Any]], when: str) -> tuple[SocketRecord, ...]:
    """The first connections that observations rest on, their times counted from `when`."""
    began = datetime.fromisoformat(when) if when else None
    found = (
        replace(s, at=round((datetime.fromisoformat(o.asked_at) - began).total_seconds() + s.at, 4))
        for o in seen
        for s in o.sockets
        if began
    )
    return tuple(islice(found, MOST_SOCKETS))


def _not_met(
    coverage: Coverage,
    inventory: Inventory,
    names: Mapping[str, tuple[str, ...]],
    when: str,
    visits: Iterable[VisitNote],
    met: set[str],
    past: Sequence[matching.Met],
) -> Iterable[tuple[Device, tuple[Observation[Any], ...]]]:
    """The listed devices that were looked for in vain, each as a device without services."""
    by_tag = {d.asset_tag: d for d in inventory.devices} if coverage.listed_not_seen else {}
    by_address: dict[str, list[VisitNote]] = defaultdict(list)
    for note in visits if by_tag else ():
        by_address[note.visit.address].append(note)
    left = [p for p in past if p.device not in met]
    there = [p for p in matching.holders(past) if p.device not in met and p.asset_tag not in by_tag]
    for missed in coverage.listed_not_seen:
        if missed.why == NOT_PLANNED:
            continue
        entry = by_tag[missed.asset_tag]
        mine = _expected(entry, left, there)
        id = mine[0].device if mine else _device_id(entry, (), "", Counter())
        if id in met:
            id = _other_id(id, entry.asset_tag)
        had = [id for p in mine for id in (p.device, *p.formerly)][1:]
        own = _listed_at(entry)
        where = tuple(
            Address(address=a, family="ipv6" if ip_address(a).version == 6 else "ipv4") for a in own
        )
        device = replace(
            _describe(id, entry, (), (), (), names),
            addresses=where,
            formerly=tuple(had),
            multihomed=_multihomed(own, *(p.multihomed for p in mine)),
        )
        facts = NotMet(
            asset_tag=entry.asset_tag, addresses=entry.addresses, why=missed.why, source=inventory.source
        )
        sockets = _sockets((o for a in where for v in by_address[a.address] for o in v.seen()), when)
        missed_it = observation(facts, None, INVENTORY, when, sockets=sockets)
        told = (*_declared(entry, inventory, when), missed_it)
        yield device, told


def _expected(
    entry: Listed, past: Iterable[matching.Met], there: Iterable[matching.Met]
) -> Sequence[matching.Met]:
    """The device of earlier reviews that a listed one is, which was not met: by its tag, else all that were at its addresses.

    Args:
        there: Those that nobody has followed where they were, and that are not listed.
    """
    tagged = [p for p in past if p.asset_tag == entry.asset_tag]
    if tagged:  # of several the one that was met once: whoever was missed ever since has no marks
        return sorted(tagged, key=lambda p: not p.marks)[:1]
    own = {*_listed_at(entry)}
    found = [p for p in there if p.addresses and p.addresses <= own]
    return [p for p in found if all(matching.same(other.marks, p.marks) is not False for other in found)]


def _coverage(
    planned: Coverage,
    notes: Iterable[VisitNote],
    inventory: Inventory,
    told: _Told,
    listed: Mapping[str, Listed],
) -> Coverage:
    visits = [note.visit for note in notes]
    met = {entry.asset_tag for entry in listed.values()}
    told.met.sort(key=lambda one: one[0].key)
    asked = [v for v in visits if v.same_as is None]  # what was planned
    outcome: dict[str, str] = {}
    for visit in visits:
        if outcome.get(visit.address) != "answered":
            outcome[visit.address] = visit.outcome
    missed = tuple(
        Missed(asset_tag=d.asset_tag, addresses=d.addresses, why=_why_missed(d, outcome))
        for d in inventory.devices
        if d.asset_tag not in met
    )
    return Coverage(
        planned=planned.planned,
        visited=planned.visited + len({v.address for v in asked if v.outcome != "unfinished"}),
        answered=len({v.address for v in asked if v.outcome == "answered"}),
        listed_not_seen=missed,
        seen_not_listed=tuple(
            Unlisted(address=address, device=one.id) for one, address, tag in told.met if tag is None
        ),
        excluded=planned.excluded,
        unfinished=tuple(sorted({v.address for v in visits if v.outcome == "unfinished"}, key=ip_key)),
        tcp_ports=planned.tcp_ports,
        udp_ports=planned.udp_ports,
        targets=planned.targets,
        listed_seen=tuple(tag for *_, tag in told.met if tag is not None),
        seen_elsewhere=tuple(one for d, *_ in told.met for one in told.elsewhere.get(d.id, ())),
        not_assessed=tuple(one for d, *_ in told.met for one in told.not_assessed[d.id]),
    )


def _not_assessed(device: Device, others: Iterable[OtherAddress]) -> Iterable[NotAssessed]:
    """The addresses that a device is known to have besides, and that the scan left out, each once."""
    met = {one.address for one in device.addresses}
    for address, one in {one.address: one for one in others}.items():
        if one.left_out is not None and address not in met:
            yield NotAssessed(address=address, device=device.id, told_by=one.told_by, why=one.left_out)


def _elsewhere(device: Device, entry: Listed) -> Iterable[Elsewhere]:
    """Where a listed device was met, and how it calls itself, that its entry does not say."""
    known = {str(ip_address(text)) for text in entry.addresses}
    strange = tuple(one.address for one in device.addresses if one.address not in known)
    if strange:
        yield Elsewhere(
            asset_tag=entry.asset_tag, device=device.id, what="address", listed=entry.addresses, seen=strange
        )
    called = tuple(dict.fromkeys(i.value for i in device.identity if i.kind == "name"))
    if entry.names and called and {_host(name) for name in called}.isdisjoint(map(_host, entry.names)):
        yield Elsewhere(
            asset_tag=entry.asset_tag, device=device.id, what="name", listed=entry.names, seen=called
        )


def _host(name: str) -> str:
    """The first label of a name, in which a device says it and an inventory may say the whole."""
    return name.split(".")[0].casefold()


def _why_missed(device: Listed, outcome: Mapping[str, str]) -> str:
    seen = [outcome[a] for a in device.addresses if a in outcome]
    if not seen:
        return NOT_PLANNED
    words = {"refused": "refused every port", "answered": "another device answered there"}
    return words.get(seen[0], seen[0])
