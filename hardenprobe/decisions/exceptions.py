"""Risk acceptances, each for a time. The result stays `fail`; the acceptance is a note beside it.

A risk acceptance covers what was found when it was accepted, with the values that were accepted, and no more: what gets
worse, and what is new, is open again.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from typing import Any

from hardenprobe.baseline.baseline import Baseline
from hardenprobe.baseline.selection import Expectations
from hardenprobe.checking.check import Worse
from hardenprobe.decisions.entry import Draft, Entry, understood
from hardenprobe.decisions.inputs import InputError, day, device_of, names_of, sentence, span
from hardenprobe.decisions.worsening import worsened
from hardenprobe.devices import matching
from hardenprobe.errors import UnknownName, clip
from hardenprobe.model import Accepted, Device, ExceptionNote, Lapsed, Result, Review, Severity
from hardenprobe.plugins.registry import Registry
from hardenprobe.scope.accounts import same_person
from hardenprobe.standards.ccss import base_of

FORMAT = "hardenprobe.exceptions/1"
KIND, END, EXPIRED = "exception", "exception-end", "exception-expired"
Way = Worse | Mapping[str, Worse] | None
NOT_IDENTIFIED = (
    "the device shows nothing of what identified it when the risk was accepted: it and another device in its place cannot be "
    "told apart"
)


@dataclass(frozen=True, kw_only=True)
class ExceptionRequest:
    """A request for a risk acceptance; the keys of a file and the options of a command.

    Attributes:
        device: Asset tag, id, name or address; or else `tag`: every device that the inventory tags so.
        port: Such as "23/tcp"; every place of the check where it is left out.
        compensating: Compensating controls until then.
        starts, until: Days, ISO 8601, both included; today where `starts` is left out.
    """

    check: str
    reason: str
    compensating: str
    requested_by: str
    approved_by: str
    until: str
    starts: str | None = None
    device: str | None = None
    tag: str | None = None
    port: str | None = None
    subject: str | None = None


@dataclass(frozen=True, kw_only=True)
class RequestFile:
    """A file of requests, key for key."""

    exceptions: str
    accept: tuple[ExceptionRequest, ...]


@dataclass(frozen=True, kw_only=True)
class AcceptedFinding:
    """A finding as it was when it was accepted.

    Attributes:
        value: What was observed, as the check said it for programs.
        address: Where it was; None in entries that did not keep it.
        marks: Kind and value of what identified the device then.
        addresses: Of the device then; empty in entries that did not keep them.
    """

    finding: str
    device: str
    transport: str | None
    port: int | None
    path: str | None
    subject: str | None
    score: float
    severity: str
    vector: str | None
    observed: str
    value: Any = None
    server_name: str | None = None
    address: str | None = None
    marks: tuple[tuple[str, str], ...] = ()
    addresses: tuple[str, ...] = ()

    @property
    def is_one_of_several(self) -> bool:
        """Whether the device had other addresses of the same family."""
        return sum((":" in one) == (":" in (self.address or "")) for one in self.addresses) > 1

    @property
    def place(self) -> tuple[object, ...]:
        """Where it is, said so that it means the same on another device."""
        return self.transport, self.port, self.server_name, self.path, self.subject


@dataclass(frozen=True, kw_only=True)
class RiskException:
    """A risk that is accepted for a time.

    Attributes:
        device: Id of the device, and how people call it; None where `tag` says which.
        review: Id of the review whose findings are accepted.
        baseline: Name of the baseline whose limits it keeps to.
        ended: The day on which it was ended early.
        expired: The ledger remembers that it had expired once; a clock that is set back does not revive it.
    """

    id: str = ""
    check: str
    device: str | None
    label: str | None
    tag: str | None
    reason: str
    compensating: str
    requested_by: str
    approved_by: str
    starts: str
    until: str
    review: str
    baseline: str
    accepted: tuple[AcceptedFinding, ...]
    ended: str | None = None
    expired: bool = False

    @property
    def about(self) -> str:
        """What it covers, for people."""
        whom = f"tag {self.tag}" if self.tag else self.label or str(self.device)
        return f"{self.check} on {whom}"

    def state(self, today: str) -> str:
        """Whether it runs on a day: "runs until ...", "starts on ...", "expired on ..." or "ended on ..."."""
        if self.ended and self.ended <= today:
            return f"ended on {self.ended}"
        if self.expired:
            return f"expired on {self.until}"
        if self.starts > today:
            return f"starts on {self.starts}"
        return f"expired on {self.until}" if self.until < today else f"runs until {self.until}"

    def runs(self, today: str) -> bool:
        return self.state(today).startswith("runs")

    def match(self, result: Result, device: Device) -> AcceptedFinding | None:
        """The accepted finding that a result is to be measured by, None where it was not accepted at all."""
        if result.check != self.check:
            return None
        if self.tag and self.tag not in device.tags:
            return None
        if not self.tag and self.device not in device.ids:
            return None
        own = self._own(result, device)
        if own or not self.tag or any(one.device in device.ids for one in self.accepted):
            return own
        # A device that got the tag later: the same thing in the same place was accepted for its like.
        here = _snapshot(result).place
        alike = [one for one in self.accepted if one.place == here]
        return max(alike, key=lambda one: one.score, default=None)

    def _own(self, result: Result, device: Device) -> AcceptedFinding | None:
        """What was accepted of a device at the place of a result; an address that is its only one may have changed since."""
        here = _snapshot(result)
        alike = [one for one in self.accepted if one.finding == here.finding]
        alike += [one for one in self.accepted if one.device in device.ids and one.place == here.place]
        there = [one for one in alike if one.address in (None, here.address)]
        return next(iter(there or [one for one in alike if _has_moved(one, here.address, device)]), None)


def draft(
    request: ExceptionRequest, review: Review, expected: Expectations, registry: Registry, today: date
) -> Draft:
    """Hold a request against the findings of a review and the limits of the strictest baseline of its devices.

    Raises:
        Wrong: Names the key that is wrong.
    """
    texts: dict[str, Any] = {
        key: sentence(key, getattr(request, key))
        for key in ("reason", "compensating", "requested_by", "approved_by")
    }
    if same_person(texts["requested_by"], texts["approved_by"]):
        raise InputError(
            "approved_by", f"{clip(request.approved_by)} is also the requester; another person must approve"
        )
    if request.check not in registry.checks:
        raise InputError(
            "check", str(UnknownName("check", request.check, registry.checks, "hardenprobe checks list"))
        )
    devices, label = _devices(request, review)
    found = _findings(request, review, devices)
    starts, until = span("starts", request.starts or today.isoformat(), "until", request.until)
    if until < today:
        raise InputError("until", f"{until} is over already")
    if starts < (scanned := day("review", review.head.started[:10])):
        raise InputError("starts", f"{starts} is before {scanned}, when what it accepts was seen")
    severity = next(w for w in ("high", "medium", "low") if w in {one.severity for one in found})
    baseline = min(map(expected.of, devices), key=lambda one: _longest(one, severity))
    longest = _longest(baseline, severity)
    if (until - starts).days > longest:
        last = starts + timedelta(days=longest)
        raise InputError(
            "until",
            f"{until} is too far: a finding of severity {severity} may be accepted for {longest} days "
            f"(baseline {baseline.name}); the last day is {last}",
        )
    body = RiskException(
        check=request.check,
        device=None if request.tag else devices[0].id,
        label=label,
        tag=request.tag,
        starts=starts.isoformat(),
        until=until.isoformat(),
        review=review.head.id,
        baseline=baseline.name,
        accepted=found,
        **texts,
    )
    plain = {key: value for key, value in asdict(body).items() if key not in ("id", "ended", "expired")}
    return Draft(kind=KIND, subject="E-", body=plain)


def expirations(known: Iterable[RiskException], today: str) -> list[Draft]:
    """What the ledger must remember: the exceptions that have expired by a day, and of which it does not say so yet."""
    return [
        Draft(kind=EXPIRED, subject=one.id, body={"until": one.until, "seen_on": today})
        for one in known
        if one.until < today and not one.expired and not one.ended
    ]


def read(entries: Iterable[Entry]) -> tuple[RiskException, ...]:
    """The exceptions of a ledger, the ended ones among them, the oldest first.

    Raises:
        StoreRefused: An entry cannot be understood.
    """
    found: dict[str, RiskException] = {}
    for entry in entries:
        if entry.kind == KIND:
            with understood():
                accepted = tuple(
                    AcceptedFinding(
                        **{
                            **one,
                            "marks": tuple((k, v) for k, v in one.get("marks", ())),
                            "addresses": tuple(one.get("addresses", ())),
                        }
                    )
                    for one in entry.body["accepted"]
                )
                body = {**entry.body, "accepted": accepted}
                found[entry.subject] = RiskException(id=entry.subject, **body)
        elif entry.kind == END and entry.subject in found:
            found[entry.subject] = replace(found[entry.subject], ended=entry.at[:10])
        elif entry.kind == EXPIRED and entry.subject in found:
            found[entry.subject] = replace(found[entry.subject], expired=True)
    return tuple(found.values())


def apply(
    results: Sequence[Result],
    devices: Iterable[Device],
    exceptions: Iterable[RiskException],
    today: str,
    expected: Expectations,
    worse: Mapping[str, Way] | None = None,
) -> tuple[Result, ...]:
    """Note on each finding which exception runs for it, or why the newest that covered it does not.

    An exception that is longer than the device's own baseline allows covers nothing of it.

    Args:
        worse: Check to which way a number that it observes is worse.
    """
    by_check: dict[str, list[RiskException]] = defaultdict(list)
    for one in exceptions:
        if one.starts <= today:
            by_check[one.check].append(one)
    by_id = {device.id: device for device in devices}
    return tuple(
        _noted(
            result,
            by_id[result.device],
            by_check[result.check],
            today,
            expected,
            (worse or {}).get(result.check),
        )
        if result.severity is not None and by_check.get(result.check)
        else result
        for result in results
    )


def notes(
    named: Collection[str], exceptions: Iterable[RiskException], today: str
) -> tuple[ExceptionNote, ...]:
    """What a review keeps of the exceptions that its results name."""
    return tuple(
        ExceptionNote(
            id=one.id,
            about=one.about,
            reason=one.reason,
            compensating=one.compensating,
            requested_by=one.requested_by,
            approved_by=one.approved_by,
            starts=one.starts,
            until=one.until,
            state=one.state(today),
        )
        for one in exceptions
        if one.id in named
    )


def _noted(
    result: Result,
    device: Device,
    exceptions: Iterable[RiskException],
    today: str,
    expected: Expectations,
    worse: Way,
) -> Result:
    lapsed: Lapsed | None = None
    running: Accepted | None = None
    for one in exceptions:
        accepted = one.match(result, device)
        if accepted is None:
            continue
        if one.runs(today):
            why = (
                _too_long(result, one, expected.of(device))
                or _stranger(accepted, device)
                or _worse(result, accepted, worse)
            )
        else:
            why = one.state(today)
        if why:
            lapsed = Lapsed(id=one.id, why=why)
        elif running is None or running.until < one.until:
            running = Accepted(id=one.id, until=one.until)
    return replace(result, exception=running, lapsed=None if running else lapsed)


def _too_long(result: Result, one: RiskException, own: Baseline) -> str | None:
    """How an exception breaks the limit that a device's own baseline sets for such a finding, None where it does not."""
    days = (day("until", one.until) - day("starts", one.starts)).days
    longest = _longest(own, str(result.severity))
    if days <= longest:
        return None
    return (
        f"longer than the device's own baseline allows: {days} days, and a finding of severity {result.severity} "
        f"may be accepted for {longest} days (baseline {own.name})"
    )


def _has_moved(accepted: AcceptedFinding, address: str | None, device: Device) -> bool:
    """Whether an address is where a device is now that had another one, and never had both."""
    was, now = accepted.address or "", address or ""
    family = [one.address for one in device.addresses if (":" in one.address) == (":" in now)]
    several = accepted.is_one_of_several or not {was, now}.isdisjoint(device.multihomed)
    return family == [now] and (":" in was) == (":" in now) and not several


def _stranger(accepted: AcceptedFinding, device: Device) -> str | None:
    """That nothing says that a device is the one whose risk was accepted; None where something does.

    A name is assigned by people (RFC 3418, sysName), who give it to a replacement, too.
    """
    if accepted.device not in device.ids or not accepted.marks:
        return None
    telling = [mark for mark in accepted.marks if mark[0] != "name"]
    again = matching.same(telling or accepted.marks, matching.marks(device.identity))
    return None if again else NOT_IDENTIFIED


def _longest(baseline: Baseline, severity: str) -> int:
    return int(getattr(baseline.file.exceptions.longest_days, severity))


def _worse(result: Result, accepted: AcceptedFinding, way: Way) -> str | None:
    """How a finding is worse than what was accepted; None where it is not."""
    score = result.score or 0.0
    if score > accepted.score:
        return f"worse than what was accepted: score {score}, accepted {accepted.score}"
    now_kind, kind = base_of(result.vector), base_of(accepted.vector)
    if score == accepted.score and now_kind != kind:
        return f"another kind of harm than what was accepted: {now_kind}, accepted {kind}"
    return worsened(result.observed.value, accepted.value, way)


def _devices(request: ExceptionRequest, review: Review) -> tuple[tuple[Device, ...], str | None]:
    """The devices that are meant, and how people call the one that is."""
    if (request.device is None) == (request.tag is None):
        raise InputError("device", "say which one: a device, or else a tag of the inventory")
    if request.tag is not None:
        tagged = tuple(d for d in review.devices if request.tag in d.tags)
        if not tagged:
            known = {tag for d in review.devices for tag in d.tags}
            raise InputError("tag", str(UnknownName(f"tag in review {review.head.id}", request.tag, known)))
        return tagged, None
    assert request.device is not None
    match device_of(request.device, review.devices):
        case ():
            known = {name for d in review.devices for name in names_of(d)}
            text = str(UnknownName(f"device in review {review.head.id}", request.device, known))
            raise InputError("device", text)
        case (one,):
            return (one,), one.label
        case many:
            text = f"{len(many)} devices are called {clip(request.device)}; give the asset tag or the id"
            raise InputError("device", text)


def _findings(
    request: ExceptionRequest, review: Review, devices: Iterable[Device]
) -> tuple[AcceptedFinding, ...]:
    ids = {device.id for device in devices}
    port = _port(request.port)
    all_of_check = [r for r in review.findings if r.device in ids and r.check == request.check]
    if not all_of_check:
        raise InputError(
            "check",
            f"review {review.head.id} has no finding of {request.check} there; there is nothing to accept",
        )
    here = [
        r
        for r in all_of_check
        if port is None or (r.endpoint and (r.endpoint.port, r.endpoint.transport) == port)
    ]
    if not here:
        places = sorted({f"{r.endpoint.port}/{r.endpoint.transport}" for r in all_of_check if r.endpoint})
        raise InputError(
            "port",
            f"no finding of {request.check} at {request.port}; there is one at {', '.join(places) or 'no port'}",
        )
    found = [r for r in here if request.subject is None or r.subject == request.subject]
    if not found:
        subjects = sorted({repr(r.subject) for r in here if r.subject})
        raise InputError(
            "subject",
            f"no finding is about {clip(request.subject)}; there is {', '.join(subjects) or 'no subject'}",
        )
    # Seen from several vantage points it is one finding; the worst sight of it is what is accepted.
    by_finding: dict[str, Result] = {}
    for one in sorted(found, key=lambda r: r.score or 0.0):
        by_finding[one.finding] = one
    by_id = {device.id: device for device in devices}
    return tuple(_snapshot(one, by_id[one.device]) for one in by_finding.values())


def _snapshot(result: Result, device: Device | None = None) -> AcceptedFinding:
    where = result.endpoint
    return AcceptedFinding(
        finding=result.finding,
        device=result.device,
        transport=where.transport if where else None,
        port=where.port if where else None,
        path=where.path if where else None,
        subject=result.subject,
        score=result.score or 0.0,
        severity=str(result.severity or Severity.HIGH),
        vector=result.vector,
        observed=result.observed.text,
        value=result.observed.value,
        address=where.address if where else None,
        marks=matching.marks(device.identity) if device else (),
        addresses=tuple(one.address for one in device.addresses) if device else (),
    )


def _port(text: str | None) -> tuple[int, str] | None:
    if text is None:
        return None
    number, _, transport = text.partition("/")
    if not (
        number.isascii() and number.isdigit() and 1 <= int(number) <= 65535 and transport in ("tcp", "udp")
    ):
        raise InputError("port", f"{clip(text)} is no port; write 23/tcp or 161/udp")
    return int(number), transport
