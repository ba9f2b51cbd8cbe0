"""Findings before and after they were asked about again: whether each still stands, is gone, or cannot be told.

A finding is gone only where its check was asked at its place and said so; silence, an error or another device say nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from hardenprobe.devices import matching
from hardenprobe.facts import NotMet
from hardenprobe.model import UNTOLD, Cost, Device, Endpoint, Observation, Result, Review, State, Word
from hardenprobe.planning.recheck_plan import Again
from hardenprobe.recheck.selection import Picked, Subject

Standing = Literal["stands", "gone", "unknown"]
_GONE = {
    Word.PASS: "the check passes",
    Word.FAIL: "the check finds other faults there, which stood before, and this one no more",
    Word.NOTAPPLICABLE: "the service is not there any more",
}
_MOVED = "it may be off, or have moved: name an inventory that says where it is, or scan"


@dataclass(frozen=True, kw_only=True)
class Side:
    """What one review says of a finding.

    Attributes:
        observed: Device text in part.
        asked_at: When its proof was asked last, UTC; None where nothing proves it.
        sent, received: Bytes on the line of its proof, which other findings may share.
    """

    result: Word
    severity: str | None
    observed: str
    asked_at: str | None
    sent: int
    received: int


@dataclass(frozen=True, kw_only=True)
class Compared:
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
    picked: Picked, again: Again, now: Review, comparing: Callable[[str], bool]
) -> tuple[Compared, ...]:
    """Every finding that was picked, in the same order.

    Args:
        now: The review of what was asked again.
        comparing: Tells whether a check compares devices.
    """
    met = {device.id: device for device in now.devices}
    silent = [
        one.device.label
        for one in picked.subjects
        if one.compared and (one.device.id not in met or _missed(now, one.device.id))
    ]
    found = []
    for subject in picked.subjects:
        for finding in subject.findings:
            lost = silent if comparing(finding.check) else []
            found.append(_compared(subject, finding, again, now, lost))
    return tuple(found)


def costs(picked: Picked, now: Review) -> tuple[RecheckedFinding, ...]:
    """What asking has cost each device, those that were only compared with among them."""
    after = {device.id: device.cost for device in now.devices}
    return tuple(
        RecheckedFinding(
            device=one.device.id,
            label=one.device.label,
            before=one.device.cost,
            after=after.get(one.device.id),
        )
        for one in picked.subjects
    )


def _compared(subject: Subject, finding: Result, again: Again, now: Review, lost: Sequence[str]) -> Compared:
    device = subject.device
    seen = now.observations.get(device.id, ())
    standing: Standing
    if not any(one.id == device.id for one in now.devices):
        result, standing, why = None, "unknown", _nobody(device, again, now)
    else:
        told = [r for r in now.results if (r.device, r.check) == (device.id, finding.check)]
        told = [r for r in told if r.vantage == finding.vantage] or told
        places = {one.address for one in again.places if one.device == device.id}
        moved = finding.endpoint is not None and finding.endpoint.address not in places
        here = [r for r in told if _here(r, finding, moved)]
        result, standing, why = _told(finding, here, subject.failed, _looked(finding, seen, moved))
        if not here and all(r.result not in UNTOLD for r in told) and _settled(finding, seen, moved):
            standing, why = "gone", "the port does something else now, and the check finds no fault with it"
        if standing == "unknown" and _missed(now, device.id):
            why = f"nobody answers at {', '.join(sorted(places))}; {_MOVED}"
        if standing == "gone" and lost:
            standing = "unknown"
            why = f"{', '.join(lost[:5])}, with which it is compared, was not met"
    return Compared(
        finding=finding.finding,
        device=device.id,
        label=device.label,
        check=finding.check,
        endpoint=finding.endpoint,
        subject=finding.subject,
        vantage=finding.vantage,
        before=_side(finding, subject.observations),
        after=_side(result, seen) if result else None,
        standing=standing,
        why=why,
    )


def _told(
    finding: Result, told: Sequence[Result], failed: frozenset[str], looked: bool
) -> tuple[Result | None, Standing, str]:
    """What the check says of a finding now.

    Args:
        told: What it says of the same port, and of the device as a whole.
        failed: Keys of all that failed before.
        looked: The port of the finding was looked at and did something.
    """
    own = [r for r in told if r.subject == finding.subject and _path(r) == _path(finding)]
    near = [r for r in told if r not in own]
    if again := next((r for r in own if r.result is Word.FAIL), None):
        return again, "stands", "the check finds it again"
    if passed := next((r for r in own if r.result is Word.PASS), None):
        return passed, "gone", _GONE[Word.PASS]
    untold = next((one for one in (*own, *near) if one.result in UNTOLD), None)
    if untold:
        reason = f" ({untold.reason})" if untold.reason else ""
        return untold, "unknown", f"the check cannot tell{reason}"
    worse = next((r for r in near if r.result is Word.FAIL and r.finding not in failed), None)
    if worse:
        return worse, "stands", "the check finds another fault in its place"
    rest = [r for r in near if r.result in (Word.PASS, Word.FAIL)]
    rest += [r for r in told if r.result is Word.NOTAPPLICABLE]
    if rest and (looked or finding.endpoint is None and rest[0].result is not Word.NOTAPPLICABLE):
        return rest[0], "gone", _GONE[rest[0].result]
    if told:
        return told[0], "unknown", "what the check says is no verdict on it"
    return None, "unknown", "the check says nothing of it"


def _path(result: Result) -> tuple[object, ...]:
    where = result.endpoint
    return (where.transport, where.port, where.server_name, where.path) if where else ()


def _here(result: Result, finding: Result, moved: bool) -> bool:
    """A result is about the port of a finding, or about the device as a whole."""
    one, other = result.endpoint, finding.endpoint
    if one is None or other is None:
        return True
    same = (one.transport, one.port) == (other.transport, other.port)
    return same and (moved or one.address == other.address or result.finding == finding.finding)


def _looked(finding: Result, seen: Iterable[Observation[Any]], moved: bool) -> bool:
    where = finding.endpoint
    return where is not None and any(
        o.endpoint is not None
        and (o.endpoint.transport, o.endpoint.port) == (where.transport, where.port)
        and (moved or o.endpoint.address == where.address)
        for o in seen
    )


def _settled(finding: Result, seen: Iterable[Observation[Any]], moved: bool) -> bool:
    """What the port of a finding does is known: it refuses, or what it speaks was recognised."""
    return any(
        getattr(o.facts, "state", None) is State.REFUSING or getattr(o.facts, "recognised", False)
        for o in seen
        if _looked(finding, [o], moved)
    )


def _missed(now: Review, device: str) -> bool:
    return any(isinstance(o.facts, NotMet) for o in now.observations.get(device, ()))


def _nobody(device: Device, again: Again, now: Review) -> str:
    """Why a device is not among those that were met."""
    places = [one.address for one in again.places if one.device == device.id]
    at = ", ".join(places)
    there = [d for d in now.devices if not _missed(now, d.id)]
    other = next((d for d in there for one in d.addresses if one.address in places), None)
    if other is None:
        stopped = set(places).intersection(now.coverage.unfinished)
        if stopped:
            return f"{at} was not asked to the end"
        return f"nobody answers at {at}; {_MOVED}"
    shown = matching.marks(other.identity)
    known = next((one.marks for one in again.places if one.device == device.id), ())
    if matching.same(known, shown) is False:
        return f"another device answers at {at}: {other.label}; nothing is judged"
    return (
        f"whoever answers at {at} shows nothing by which {device.label} would be known again; nothing is judged, unless "
        "an inventory says that the address is its own"
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
