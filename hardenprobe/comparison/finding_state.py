"""What a review says of a finding (device, check, place, subject): it is open, absent, or not assessed, with the reason.

Comparisons, rechecks, histories and trends all ask `state`. Only *absent*, which needs an assessment of that very place that
did not find it, may make a finding fixed: what was not asked, not reached, filtered, or judged by another yardstick is not.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property
from ipaddress import ip_address
from typing import Any, NamedTuple

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.comparison.records import Cause, Why
from hardenprobe.model import (
    INVENTORY,
    NOT_HEARD,
    NOT_PLANNED,
    REASONS,
    UNTOLD,
    Device,
    Observation,
    Reach,
    Reason,
    Result,
    Review,
    State,
    Vantage,
    Word,
)
from hardenprobe.model.document import dump, encode_observation
from hardenprobe.standards.segments import Segment

Entry = Mapping[str, Any]


class Known(StrEnum):
    """The state of a finding in one review."""

    OPEN = "open"
    ABSENT = "absent"
    NOT_ASSESSED = "not assessed"


class Assessment(NamedTuple):
    """The state of a finding in one review.

    Attributes:
        cause: Why it was not assessed; None for the other states.
    """

    known: Known
    cause: Cause | None = None

    @property
    def is_not_required(self) -> bool:
        """Whether it was not assessed because it is no longer required."""
        return self.cause is not None and self.cause.why is Why.NOT_REQUIRED


OPEN, ABSENT = Assessment(Known.OPEN), Assessment(Known.ABSENT)

_WHY = {
    Reason.SILENT: Why.NOT_REACHED,
    Reason.DROPPED: Why.NOT_REACHED,
    Reason.CEILING: Why.NOT_REACHED,
    Reason.OFF_LINK: Why.NOT_REACHED,
    Reason.WINDOW: Why.NOT_ASKED,
    Reason.SCOPE: Why.NOT_ASKED,
    Reason.REACH: Why.NOT_ASKED,
    Reason.NO_CREDENTIAL: Why.NOT_ASKED,
    Reason.NOT_SEEN: Why.NOT_ASKED,
}
_CLEAR = (Word.PASS, Word.NOTAPPLICABLE)
_HERE = "here"  # the name of a vantage point without one

VARY: Mapping[str, frozenset[str]] = {
    "tcp-port": frozenset({"tries"}),
    "http-answer": frozenset({"date", "body_length", "body_sha256"}),
    "snmp-engine": frozenset({"boots", "time"}),
    "snmp-objects": frozenset({"date", "printing", "uptime"}),
    "snmp-connections": frozenset({"connections"}),
    "service-used": frozenset({"clients", "conversations", "first", "last", "places"}),
    "tls-port": frozenset({"connections"}),
    "tls-suites": frozenset({"connections"}),
    "tls-flaws": frozenset({"connections"}),
    "tls-second-opinion": frozenset({"connections"}),
}
"""Kind of observation to those of its facts that differ each time, though nothing was changed."""

OF_PEOPLE = "statement-made"
"""The kind of observation of what people state."""


class Verdict(NamedTuple):
    """The part of a result that says what it is about and what it says.

    Attributes:
        place: Transport, port, server name and path; None for the device as a whole.
        entry: The whole result, as an entry of the document.
    """

    finding: str
    check: str
    address: str | None
    place: tuple[str, int, str | None, str | None] | None
    subject: str | None
    word: str
    reason: str | None
    vantage: str
    entry: Entry


def read(entry: Entry) -> Verdict:
    """Take an entry of a review's results.

    Raises:
        KeyError, TypeError: It is none.
    """
    where = entry["endpoint"]
    return Verdict(
        finding=entry["finding"],
        check=entry["check"],
        address=where["address"] if where else None,
        place=(where["transport"], where["port"], where["server_name"], where["path"]) if where else None,
        subject=entry["subject"],
        word=entry["result"],
        reason=entry["reason"],
        vantage=entry["vantage"],
        entry=entry,
    )


def by_check(entries: Iterable[Verdict]) -> dict[str, list[Verdict]]:
    """Results by their check."""
    found: dict[str, list[Verdict]] = {}
    for one in entries:
        found.setdefault(one.check, []).append(one)
    return found


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """How a review was made: what it set out to assess, from where, and why it did not meet whom.

    Attributes:
        at: When it began, UTC.
        missed: Asset tag to why the device was not met.
        unfinished: Addresses that the scan did not finish.
        targets: What was asked, as networks and ranges; empty where the review did not keep it.
        segments: Networks that are one segment, whichever of their addresses a scan runs from.
        rechecked: Device to the only checks that were asked of it; None for a scan.
        due_days: Baseline to the days for remediation, by severity.
        asks: False where nothing was sent, so that its results hold from no vantage point.
    """

    at: str
    selected: frozenset[str]
    ports: Mapping[str, frozenset[int]]
    vantages: tuple[Vantage, ...]
    missed: Mapping[str, str]
    unfinished: frozenset[str]
    interrupted: bool = False
    targets: tuple[str, ...] = ()
    segments: tuple[Segment, ...] = ()
    rechecked: Mapping[str, frozenset[str]] | None = None
    due_days: Mapping[str, Mapping[str, int | None]] = field(default_factory=dict)
    asks: bool = True

    @cached_property
    def _asked(self) -> AddressSet:
        return AddressSet.of(self.targets)

    def not_met(self, device: Device) -> Cause:
        """Why a device was not met."""
        why = self.missed.get(device.asset_tag or "")
        addresses = [one.address for one in device.addresses]
        if why == NOT_HEARD:
            return Cause(why=Why.NOT_ASKED, text="no traffic of the device was captured")
        if why and why not in (NOT_PLANNED, "unfinished"):
            return Cause(why=Why.NOT_REACHED, text=f"the device was not met: {why}")
        if self.targets and addresses and not any(one in self._asked for one in addresses):
            return Cause(why=Why.NOT_ASKED, text="the device's addresses were not among those asked")
        if why == "unfinished" or self.interrupted or any(one in self.unfinished for one in addresses):
            return Cause(
                why=Why.NOT_ASKED, text="interrupted: the scan ended before it had finished the device"
            )
        if why or (self.rechecked is not None and not device.ids & self.rechecked.keys()):
            return Cause(why=Why.NOT_ASKED, text="the device's addresses were not among those asked")
        return Cause(why=Why.NOT_REACHED, text="no device that shows itself to be this one was met")

    def source(self, vantage: str) -> str | None:
        """The address of a vantage point."""
        return next((one.source for one in self.vantages if one.name == vantage), None)

    def same_source(self, vantage: str, other: Conditions, its: str) -> bool:
        """Whether a vantage point is the same as `its` of another review: by address and segment, else by name."""
        mine, theirs = self.source(vantage), other.source(its)
        if mine is None or theirs is None:
            return vantage == its
        if mine == theirs or (vantage == its and vantage not in (_HERE, mine, theirs)):
            return True
        return any(
            mine in networks and theirs in networks
            for networks in (AddressSet.of(one.networks) for one in (*self.segments, *other.segments))
        )


def conditions(outline: Review, segments: Iterable[Segment] = ()) -> Conditions:
    """Read how a review was made from its head."""
    head, coverage = outline.head, outline.coverage
    rechecked: dict[str, set[str]] = {}
    for one in head.rechecked:
        rechecked.setdefault(one.device, set()).add(one.check)
    return Conditions(
        at=head.started,
        selected=frozenset(head.selected),
        ports={"tcp": frozenset(coverage.tcp_ports), "udp": frozenset(coverage.udp_ports)},
        vantages=outline.vantages,
        missed={one.asset_tag: one.why for one in coverage.listed_not_seen},
        unfinished=frozenset(coverage.unfinished),
        interrupted=head.interrupted,
        targets=coverage.targets,
        segments=tuple(segments),
        rechecked={id: frozenset(checks) for id, checks in rechecked.items()} if head.rechecks else None,
        due_days=head.due_days,
        asks=head.reach.admits(Reach.LOOK),
    )


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What a review holds of one device. Its record and observations are read when they are needed.

    Attributes:
        results: By check.
        device: Reads the device's record.
        observations: Reads what was seen of it, as entries of the document.
        over_time: What the reviews hold of the device, this one among them, as far as they are at hand.
    """

    results: Mapping[str, Sequence[Verdict]]
    conditions: Conditions
    device: Callable[[], Device]
    observations: Callable[[], Sequence[Entry]]
    over_time: Callable[[], Iterable[Evidence]] = tuple
    memo: dict[str, Any] = field(default_factory=dict, repr=False, compare=False)

    @property
    def met(self) -> bool:
        """The device answered; False for one of the inventory that was looked for in vain."""
        tag = self.record.asset_tag
        return tag is None or tag not in self.conditions.missed

    @property
    def record(self) -> Device:
        """The device."""
        if "device" not in self.memo:
            self.memo["device"] = self.device()
        found: Device = self.memo["device"]
        return found

    @property
    def seen(self) -> Sequence[Entry]:
        """What was seen of it."""
        if "seen" not in self.memo:
            self.memo["seen"] = self.observations()
        found: Sequence[Entry] = self.memo["seen"]
        return found

    def family(self, address: str) -> list[str]:
        """The device's addresses of the same family as another."""
        version = ip_address(address).version
        return [a.address for a in self.record.addresses if ip_address(a.address).version == version]

    def is_one_of_several(self, address: str) -> bool:
        """Whether the device is known to have an address and another of its family besides, by any review at hand."""
        return any(
            address in one.record.multihomed
            or (address in (family := one.family(address)) and len(family) > 1)
            for one in (self, *self.over_time())
        )

    def proof(self, one: Verdict) -> list[Entry]:
        """The observations that prove a result."""
        named = set(one.entry.get("observations", ()))
        return [entry for entry in self.seen if entry["id"] in named] if named else []

    def port(self, address: str, place: tuple[str, int], sources: Iterable[str]) -> str | None:
        """What a port was seen to do: a word of State, "recognised" where it is known what it speaks, None if not looked at."""
        named = frozenset(sources)
        states = set()
        for entry in self.seen:
            where = entry["endpoint"]
            if not where or (where["transport"], where["port"]) != place or where["address"] != address:
                continue
            if entry["vantage"] in named and not entry["facts"].get("control"):
                states.add(entry["facts"].get("state"))
        service = next(
            (s for s in self.record.services if (s.transport, s.port, s.address) == (*place, address)), None
        )
        if service and service.state is State.ACCEPTING:
            return "recognised" if service.protocol else str(State.ACCEPTING)
        known = [word for word in (State.ACCEPTING, State.REFUSING, State.SILENT) if word in states]
        if service and not known:
            return str(service.state)
        return str(known[0]) if known else None


def joined(parts: Sequence[Evidence]) -> Evidence:
    """What a review holds of one device that it took for several: of all of them together."""
    if len(parts) == 1:
        return parts[0]
    return Evidence(
        results=by_check(one for part in parts for some in part.results.values() for one in some),
        conditions=parts[0].conditions,
        device=lambda: joined_device([one.record for one in parts]),
        observations=lambda: [entry for part in parts for entry in part.seen],
    )


def joined_device(parts: Sequence[Device]) -> Device:
    """One device out of several, the first of which it is called by."""
    first, *others = parts
    if not others:
        return first
    return replace(
        first,
        addresses=tuple(dict.fromkeys(a for one in parts for a in one.addresses)),
        identity=tuple(dict.fromkeys(i for one in parts for i in one.identity)),
        services=tuple(s for one in parts for s in one.services),
        formerly=tuple(sorted(frozenset[str]().union(*(one.ids for one in parts)) - {first.id})),
        multihomed=tuple(dict.fromkeys(a for one in parts for a in one.multihomed)),
    )


def evidence(
    device: Device,
    results: Iterable[Result],
    observations: Iterable[Observation[Any]],
    made: Conditions,
) -> Evidence:
    """What a review in memory holds of a device."""
    return Evidence(
        results=by_check(read(dump(Result, one)) for one in results),
        conditions=made,
        device=lambda: device,
        observations=lambda: [encode_observation(one) for one in observations],
    )


class Sighting(NamedTuple):
    """A finding as a review saw it open."""

    verdict: Verdict
    evidence: Evidence


def state(one: Sighting, here: Evidence | None, made: Conditions) -> Assessment:
    """Decide what a review says of a finding that this or another review saw open.

    Args:
        one: The finding.
        here: What the review holds of the same device; None where it does not have it.
        made: How the review was made.
    """
    wanted, before = one
    if here is None:
        return _not_assessed(made.not_met(before.record))
    judged = here.results.get(wanted.check, ())
    if any(told.word == Word.FAIL and same(one, told, here) for told in judged):
        return OPEN
    if not here.met and not judged:
        return _not_assessed(made.not_met(before.record))
    if missing := _not_selected(wanted, judged, here, made):
        return _not_assessed(missing)
    address = now_at(one, here)
    if wanted.address and address is None:
        return _not_assessed(_no_more_at(wanted.address, before.record, here.record))
    mine = [
        told
        for told in judged
        if not before.conditions.asks or made.same_source(told.vantage, before.conditions, wanted.vantage)
    ] or list(judged if _of_files(one) else ())
    if judged and not mine:
        where = before.conditions.source(wanted.vantage) or wanted.vantage
        text = f"not assessed from {where}, where it was seen"
        return _not_assessed(Cause(why=Why.VANTAGE, text=text))
    told = _told(one, mine, here, address)
    if told is not ABSENT:
        return told
    return _by_its_yardstick(one, here, address)


def _no_more_at(address: str, before: Device, now: Device) -> Cause:
    """Why a device was not met at an address that it had."""
    if address in before.listed_at and now.listed_at and address not in now.listed_at:
        text = f"the inventory does not give the device {address} any more"
        return Cause(why=Why.NOT_REQUIRED, text=text)
    return Cause(why=Why.NOT_REACHED, text=f"not reached at {address}")


def same(one: Sighting, told: Verdict, here: Evidence) -> bool:
    """Whether a result is about the same thing at the same place of the same device."""
    wanted = one.verdict
    if told.finding == wanted.finding and told.address == wanted.address:
        return True
    if (told.check, told.place, told.subject) != (wanted.check, wanted.place, wanted.subject):
        return False
    return wanted.address is None or told.address == now_at(one, here)


def now_at(one: Sighting, here: Evidence) -> str | None:
    """The address at which a review must look for a finding; None where it did not meet the device there.

    An address that is the only one of its family in both reviews has merely changed, unless the device is known to have others.
    """
    address = one.verdict.address
    if address is None:
        return None
    now = here.family(address)
    if address in now:
        return address
    if not len(now) == 1 == len(one.evidence.family(address)):
        return None
    several = (known.is_one_of_several(each) for known in (one.evidence, here) for each in (address, *now))
    return None if any(several) else now[0]


def _not_selected(
    wanted: Verdict, judged: Sequence[Verdict], here: Evidence, made: Conditions
) -> Cause | None:
    """Why the check was not asked of the device at all; None where it was."""
    check = wanted.check
    only = None
    if made.rechecked is not None:
        only = frozenset[str]().union(*(made.rechecked.get(id, ()) for id in here.record.ids))
    if check not in made.selected or (only is not None and check not in only):
        return Cause(why=Why.NOT_ASKED, text=f"the check {check} was not asked for")
    if judged and all(told.word == Word.NOTSELECTED for told in judged):
        return Cause(why=Why.NOT_REQUIRED, text=f"the baseline does not ask for {check} any more")
    return None


def _told(one: Sighting, mine: Sequence[Verdict], here: Evidence, address: str | None) -> Assessment:
    """What the results say, whatever they were judged by."""
    wanted = one.verdict
    exact = [told for told in mine if same(one, told, here)]
    if exact:
        return _of_all(one, exact, here)
    if wanted.place is None:
        if not mine:
            return _nothing_said(wanted)
        return _of_all(one, mine, here) if _looked_again(one, here) else _not_looked(wanted)
    at_port = [t for t in mine if t.place and t.place[:2] == wanted.place[:2] and t.address == address]
    whole = [told for told in mine if told.place is None]
    if at_port:
        return _of_all(one, at_port, here)
    if not mine:
        return _nothing_said(wanted)
    assert address
    does = here.port(address, wanted.place[:2], {told.vantage for told in mine})
    if does == State.REFUSING:
        return ABSENT
    if does is None and wanted.place[1] not in here.conditions.ports.get(wanted.place[0], {wanted.place[1]}):
        return _not_looked(wanted)
    untold = next((told for told in (whole or mine) if told.word in UNTOLD), None)
    if untold:
        return _not_assessed(not_determined(untold))
    if any(told.word == Word.INFORMATIONAL for told in whole):
        return _no_verdict(one, here)
    spot = place_text(wanted)
    if does == "recognised":
        return ABSENT
    if does == State.SILENT:
        return _not_assessed(_filtered(f"{spot} is filtered"))
    if does is None:
        return _not_assessed(Cause(why=Why.NOT_CLEAR, text=f"{spot} was not looked at"))
    return _not_assessed(
        Cause(why=Why.NOT_CLEAR, text=f"{spot} is open, and what it speaks was not determined")
    )


def _of_all(one: Sighting, told: Sequence[Verdict], here: Evidence) -> Assessment:
    """What results say together that all speak of the place."""
    untold = next((one for one in told if one.word in UNTOLD), None)
    if untold:
        return _not_assessed(not_determined(untold))
    clear = [one for one in told if one.word in (*_CLEAR, Word.FAIL)]
    if not clear:
        return _no_verdict(one, here)
    if all(one.reason == Reason.DROPPED for one in clear):
        return _not_assessed(_filtered("no answer"))
    return ABSENT


def _filtered(text: str) -> Cause:
    return Cause(why=Why.NOT_REACHED, text=f"{text}: not reachable from this vantage point")


def _no_verdict(one: Sighting, here: Evidence) -> Assessment:
    if changed := _yardstick(one, here):
        return _not_assessed(changed)
    if any(told.word == Word.INFORMATIONAL for told in here.results.get(one.verdict.check, ())):
        return _not_assessed(Cause(why=Why.NOT_REQUIRED, text="it is reported for information only"))
    return _not_assessed(Cause(why=Why.NOT_CLEAR, text="the check gives no verdict on it"))


def _nothing_said(wanted: Verdict) -> Assessment:
    text = f"the check {wanted.check} gave no result for the device"
    return _not_assessed(Cause(why=Why.NOT_CLEAR, text=text))


def _not_looked(wanted: Verdict) -> Assessment:
    spot = place_text(wanted) if wanted.place else "a port that it was seen at"
    return _not_assessed(Cause(why=Why.NOT_ASKED, text=f"{spot} was not among the ports asked"))


def _looked_again(one: Sighting, here: Evidence) -> bool:
    """Whether the ports that proved a finding of the device as a whole were looked at again."""
    proved = {
        (where["transport"], where["port"])
        for entry in one.evidence.proof(one.verdict)
        if (where := entry["endpoint"])
    }
    return all(port in here.conditions.ports.get(transport, {port}) for transport, port in proved)


def _of_files(one: Sighting) -> bool:
    """A finding that rests on what was read and not asked, for which it does not matter who asks."""
    proof = one.evidence.proof(one.verdict)
    return bool(proof) and all(entry["vantage"] == INVENTORY for entry in proof)


def _by_its_yardstick(one: Sighting, here: Evidence, address: str | None) -> Assessment:
    """Absent, unless what it is judged by changed and not the device."""
    proof = one.evidence.proof(one.verdict)
    stated = {entry["facts"]["control"] for entry in proof if entry["kind"] == OF_PEOPLE}
    if stated - {entry["facts"]["control"] for entry in here.seen if entry["kind"] == OF_PEOPLE}:
        text = "no attestation is in force any more that it could contradict"
        return _not_assessed(Cause(why=Why.NOT_REQUIRED, text=text))
    changed = _yardstick(one, here)
    if changed is None:
        return ABSENT
    near = [entry for entry in proof if _is_at(entry, one.verdict.address)]
    there = [entry for entry in here.seen if _is_at(entry, address)]
    if proof and steady(near) <= steady(there) and steady(proof) <= steady(here.seen):
        return _not_assessed(changed)
    place = one.verdict.place
    if place and address:
        does = here.port(address, place[:2], {entry["vantage"] for entry in here.seen})
        if does == State.REFUSING:
            return ABSENT
    expected = {told.entry["expected"]["text"] for told in here.results[one.verdict.check]}
    return ABSENT if one.verdict.entry["expected"]["text"] in expected else _not_assessed(changed)


def _is_at(entry: Entry, address: str | None) -> bool:
    """Whether an observation is of an address; one of no place is of every address."""
    where = entry["endpoint"]
    return address is None or not where or where["address"] == address


def _yardstick(one: Sighting, here: Evidence) -> Cause | None:
    """How what a finding is judged by has changed since it was seen; None where it has not."""
    entry = one.verdict.entry
    told = here.results.get(one.verdict.check, ())
    old, new = one.evidence.record.baseline, here.record.baseline
    if old and new and old != new:
        text = f"judged by {old.name} before and by {new.name} now"
        if old.name == new.name:
            text = f"{new.name} has changed"
        return Cause(why=Why.NOT_REQUIRED, text=text)
    version = (entry["check_version"], entry["origin"])
    if all((t.entry["check_version"], t.entry["origin"]) != version for t in told):
        return Cause(why=Why.NOT_REQUIRED, text=f"another version of {one.verdict.check} judged it")
    rules = entry["rule_set"]
    ruled = [t.entry["rule_set"] for t in told if t.entry["rule_set"]]
    if rules and ruled and rules not in ruled:
        return Cause(why=Why.NOT_REQUIRED, text=f"judged by another date of {rules['name']}")
    return None


def steady(entries: Iterable[Entry]) -> set[tuple[str, str, str]]:
    """Kind, place and facts of observations, without what differs each time and without the address."""
    made = set()
    for entry in entries:
        kind, where = entry["kind"], entry["endpoint"]
        place = f"{where['transport']} {where['port']}" if where else ""
        vary = VARY.get(kind, frozenset())
        facts = {key: value for key, value in entry["facts"].items() if key not in vary}
        made.add((kind, place, json.dumps(facts, sort_keys=True)))
    return made


def not_determined(told: Verdict) -> Cause:
    """Why a result was not determined."""
    if told.word == Word.NOTSELECTED:
        return Cause(why=Why.NOT_ASKED, text=f"the check {told.check} was left out")
    reason = Reason(told.reason) if told.reason else None
    why = _WHY.get(reason, Why.NOT_CLEAR) if reason else Why.NOT_CLEAR
    if told.word == Word.NOTCHECKED:
        why = Why.NOT_ASKED
    return Cause(why=why, text=REASONS[reason])


def place_text(one: Verdict) -> str:
    """A port as people write it, such as 23/tcp."""
    return f"{one.place[1]}/{one.place[0]}" if one.place else "the device as a whole"


def _not_assessed(cause: Cause) -> Assessment:
    return Assessment(Known.NOT_ASSESSED, cause)
