"""Findings before and after they were assessed again: whether each is open, fixed, or was not reassessed.

What a review says of a finding is decided in `comparison`; this adds what concerns a recheck alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from hardenprobe.comparison import finding_state
from hardenprobe.comparison.finding_state import Conditions, Evidence, Known, Sighting, Verdict, conditions
from hardenprobe.devices import matching
from hardenprobe.facts import NotMet
from hardenprobe.model import Cost, Device, Endpoint, Observation, Result, Review, Word
from hardenprobe.planning.recheck_plan import RecheckRecord
from hardenprobe.recheck.selection import FindingSelection, Subject

Standing = Literal["stands", "gone", "unknown"]
"""Open, fixed, or not reassessed, in the words of the document."""

_MOVED = "it may be off, or have moved: name an inventory that says where it is, or scan"


@dataclass(frozen=True, kw_only=True)
class Side:
    """What one review says of a finding.

    Attributes:
        observed: Device text in part.
        asked_at: When its proof was asked last, UTC; None where nothing proves it.
        sent, received: Bytes of its proof, which other findings may share.
    """

    result: Word
    severity: str | None
    observed: str
    asked_at: str | None
    sent: int
    received: int


@dataclass(frozen=True, kw_only=True)
class FindingComparison:
    """One finding, before and after.

    Attributes:
        label: How people call the device.
        after: None where nothing can be said.
        why: In one line; device text in part.
    """

    finding: str
    device: str
    label: str
    check: str
    endpoint: Endpoint | None
    subject: str | None
    vantage: str
    before: Side
    after: Side | None
    standing: Standing
    why: str


@dataclass(frozen=True, kw_only=True)
class RecheckedFinding:
    """What asking one device has cost.

    Attributes:
        before: By the whole scan.
        after: By the recheck; None where it was not met.
    """

    device: str
    label: str
    before: Cost
    after: Cost | None


def compared(
    picked: FindingSelection, again: RecheckRecord, now: Review, comparing: Callable[[str], bool]
) -> tuple[FindingComparison, ...]:
    """Every finding that was picked, in the same order.

    Args:
        now: The review of what was asked again.
        comparing: Tells whether a check compares devices.
    """
    met = {id for device in now.devices for id in device.ids}
    silent = [
        one.device.label
        for one in picked.subjects
        if one.compared and (one.device.id not in met or _missed(now, one.device.id))
    ]
    was, made = conditions(picked.review), conditions(now)
    found = []
    for subject in picked.subjects:
        for finding in subject.findings:
            lost = silent if comparing(finding.check) else []
            found.append(_compared(_Question(subject, finding, was), again, now, made, lost))
    return tuple(found)


def costs(picked: FindingSelection, now: Review) -> tuple[RecheckedFinding, ...]:
    """What asking has cost each device, those that were only compared with among them."""
    after = {id: device.cost for device in now.devices for id in device.ids}
    return tuple(
        RecheckedFinding(
            device=one.device.id,
            label=one.device.label,
            before=one.device.cost,
            after=after.get(one.device.id),
        )
        for one in picked.subjects
    )


class _Question:
    """A finding that was assessed again."""

    def __init__(self, subject: Subject, finding: Result, was: Conditions) -> None:
        self.subject, self.finding, self.device = subject, finding, subject.device
        before = finding_state.evidence(subject.device, (finding,), subject.observations, was)
        self.sighting = Sighting(before.results[finding.check][0], before)


def _compared(
    asked: _Question, again: RecheckRecord, now: Review, made: Conditions, lost: Sequence[str]
) -> FindingComparison:
    device, finding = asked.device, asked.finding
    here = next((one for one in now.devices if device.id in one.ids), None)
    seen = now.observations.get(here.id, ()) if here else ()
    results = [r for r in now.results if here and (r.device, r.check) == (here.id, finding.check)]
    after: Result | None = None
    standing: Standing = "unknown"
    if here is None or (_missed(now, device.id) and not results):
        why = _nobody(device, again, now)
    else:
        evidence = finding_state.evidence(here, results, seen, made)
        standing, why, verdict = assess(asked.sighting, evidence, made, asked.subject.failed)
        after = next((r for r in results if verdict and r.finding == verdict.finding), None)
        if standing == "unknown" and _missed(now, device.id):
            why = _nobody(device, again, now)
    if standing == "gone" and lost:
        standing = "unknown"
        why = f"{', '.join(lost[:5])}, with which it is compared, was not met"
    return FindingComparison(
        finding=finding.finding,
        device=device.id,
        label=device.label,
        check=finding.check,
        endpoint=finding.endpoint,
        subject=finding.subject,
        vantage=finding.vantage,
        before=_side(finding, asked.subject.observations),
        after=_side(after, seen) if after else None,
        standing=standing,
        why=why,
    )


def assess(
    one: Sighting, here: Evidence, made: Conditions, failed: frozenset[str]
) -> tuple[Standing, str, Verdict | None]:
    """What became of a finding, why, and the result that says most of it.

    Args:
        failed: Keys of all findings that the device had before.
    """
    results = here.results.get(one.verdict.check, ())
    place = one.verdict.place
    near = [r for r in results if not r.place or not place or r.place[:2] == place[:2]]
    own = [r for r in near if finding_state.same(one, r, here)]
    says = finding_state.state(one, here, made)
    shown = next(iter((*own, *near)), None)
    if says.known is Known.OPEN:
        fails = next((r for r in own if r.word == Word.FAIL), shown)
        return "stands", "the check finds it again", fails
    if says.known is Known.NOT_ASSESSED:
        assert says.cause
        return "unknown", f"{says.cause.why}: {says.cause.text}", shown
    other = next((r for r in near if r.word == Word.FAIL and r.finding not in failed), None)
    if other and other.address == finding_state.now_at(one, here):
        return "stands", "the check finds another fault in its place", other
    return "gone", "its place was assessed again, and it is absent", shown


def _missed(now: Review, device: str) -> bool:
    return any(isinstance(o.facts, NotMet) for o in now.observations.get(device, ()))


def _nobody(device: Device, again: RecheckRecord, now: Review) -> str:
    """Why a device is not among those that were met."""
    places = [one.address for one in again.places if one.device == device.id]
    at = ", ".join(places)
    there = [d for d in now.devices if not _missed(now, d.id)]
    other = next((d for d in there for one in d.addresses if one.address in places), None)
    if other is None:
        if now.head.interrupted or set(places).intersection(now.coverage.unfinished):
            return f"interrupted: {at} was not asked to the end"
        return f"no answer at {at}; {_MOVED}"
    shown = matching.marks(other.identity)
    known = next((one.marks for one in again.places if one.device == device.id), ())
    if matching.same(known, shown) is False:
        return f"another device answers at {at}: {other.label}; nothing is judged"
    return (
        f"the device at {at} shows nothing that identifies it as {device.label}; nothing is judged, unless an inventory "
        "says that the address is its own"
    )


def _side(result: Result, seen: Iterable[Observation[Any]]) -> Side:
    proof = [o for o in seen if o.id in result.observations]
    pieces = [piece for o in proof for piece in o.transcript]
    return Side(
        result=result.result,
        severity=result.severity,
        observed=result.observed.text,
        asked_at=max((o.asked_at for o in proof), default=None),
        sent=sum(piece.length for piece in pieces if piece.direction == "sent"),
        received=sum(piece.length for piece in pieces if piece.direction == "received"),
    )
