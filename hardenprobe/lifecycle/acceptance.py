"""Acceptance of a device into the fleet: its stored observations, judged again, and its attestations.

The device is not probed: what was never observed is unknown, and a check that the baseline requires to be determined prevents
acceptance while it is not.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from hardenprobe.baseline.baseline import Baseline
from hardenprobe.decisions.device_register import ACCEPTED, Marks
from hardenprobe.decisions.entry import Draft, Entry, understood
from hardenprobe.decisions.inputs import InputError, sentence
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.errors import UnknownName, UsageError, clip
from hardenprobe.judging.judgement import Judgement
from hardenprobe.judging.review import renewed
from hardenprobe.lifecycle.device_lookup import Appearance, part
from hardenprobe.model import Answered, Device, Head, Result, Word
from hardenprobe.model.rows import read_device, read_observations
from hardenprobe.plugins.registry import Registry
from hardenprobe.scope.accounts import same_person
from hardenprobe.standards import controls
from hardenprobe.store.rejudge import fleets
from hardenprobe.store.store import UNREADABLE, Store

BASELINE = "office-device-strict"
MET = ("yes", "not applicable")  # the answers that say that a control is met
TOLD = (Word.PASS, Word.FAIL, Word.NOTAPPLICABLE, Word.INFORMATIONAL)


@dataclass(frozen=True, kw_only=True)
class AcceptanceRequest:
    """Who wants a device accepted.

    Attributes:
        despite: Controls that are attested with no or partly, and that do not prevent acceptance.
    """

    accepted_by: str
    requested_by: str
    reason: str
    despite: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Finding:
    """A finding of the judgement.

    Attributes:
        where: Port, path and subject, for people; device text in part.
        exception: Id of the risk acceptance that covers it, until which day; None where the finding is open.
        lapsed: Why the one that covered it once does not.
    """

    finding: str
    check: str
    where: str
    severity: str
    score: float
    observed: str
    exception: str | None = None
    until: str | None = None
    lapsed: str | None = None


@dataclass(frozen=True, kw_only=True)
class UndeterminedCheck:
    """A check that is not determined.

    Attributes:
        word: unknown, error or notchecked.
        must: The baseline says that it must be.
    """

    check: str
    word: str
    reason: str
    must: bool


@dataclass(frozen=True, kw_only=True)
class Control:
    """A control that people answer for; `state` and the rest as in records_people.Answered."""

    control: str
    question: str
    state: str
    answer: str | None
    statement: str | None
    by: str | None
    until: str | None

    @property
    def met(self) -> bool:
        return self.state == "answered" and self.answer in MET


@dataclass(frozen=True, kw_only=True)
class Acceptance:
    """What a device was accepted on, or would be.

    Attributes:
        id, on: Of the entry in the ledger, "" before it is kept.
        marks: What tells the device apart.
        seen_at: When the review that it rests on began.
        words: How many results of each kind there were.
        checks: Ids of those that were judged.
        left_out: Those of them that the scan left out.
    """

    id: str = ""
    on: str = ""
    device: str
    label: str
    kind: str
    make_model: str | None
    addresses: tuple[str, ...]
    marks: Marks
    review: str
    seen_at: str
    baseline: str
    baseline_hash: str
    words: Mapping[str, int]
    checks: tuple[str, ...]
    left_out: tuple[str, ...]
    findings: tuple[Finding, ...]
    untold: tuple[UndeterminedCheck, ...]
    statements: tuple[Control, ...]
    despite: tuple[str, ...] = ()
    requested_by: str = ""
    accepted_by: str = ""
    reason: str = ""

    def standing(self) -> list[Finding]:
        """The findings without a risk acceptance."""
        return [one for one in self.findings if one.exception is None]

    def missing(self) -> list[str]:
        """What prevents acceptance beside findings, one line each; empty where nothing does."""
        said = [
            f"not determined, and baseline {self.baseline} wants it: {one.check} ({one.word}, {one.reason})"
            for one in self.untold
            if one.must or one.word == Word.ERROR
        ]
        if self.left_out:
            said.append(
                f"left out of the scan: {', '.join(self.left_out)}; scan it without leaving checks out"
            )
        groups: dict[str, list[str]] = {}
        for one in self.statements:
            if one.state != "answered":
                groups.setdefault(f"{one.state} by people", []).append(one.control)
            elif not one.met and one.control not in self.despite:
                groups.setdefault(f"answered with {one.answer}", []).append(one.control)
        return said + [f"{state}: {', '.join(controls)}" for state, controls in groups.items()]

    @property
    def refused(self) -> bool:
        """Something prevents acceptance."""
        return bool(self.standing() or self.missing())


def assess(
    kept: Store, found: Appearance, expected: Baseline, registry: Registry, decisions: Decisions
) -> Acceptance:
    """Judge what a review holds of one device.

    Args:
        found: The device and the review.

    Raises:
        StoreRefused: The review cannot be read.
    """
    outline = kept.outline(found.review)
    fresh = renewed(outline, registry)
    # What the scan left out is judged as well: it comes out unknown, which the record must not hide.
    fresh = replace(fresh, head=replace(fresh.head, selected=tuple(sorted(registry.checks))))
    judgement = Judgement(fresh, expected, registry, decisions, fleets(kept, found.review, outline, registry))
    row = part(kept, found.review, found.device.id)
    try:
        device, seen = read_device(row.record), tuple(read_observations(row.observations))
    except (*UNREADABLE, UsageError) as exc:
        raise kept.unreadable(found.review, type(exc).__name__) from exc
    (judged,), _, results = judgement.part((device,), {device.id: seen})
    return _assessed(found, judged, results, judgement.outline().statements, expected, outline.head)


def _assessed(
    found: Appearance,
    device: Device,
    results: Iterable[Result],
    answers: Iterable[Answered],
    expected: Baseline,
    head: Head,
) -> Acceptance:
    judged = [one for one in results if one.result is not Word.NOTSELECTED]
    checks = tuple(dict.fromkeys(one.check for one in judged))
    return Acceptance(
        device=device.id,
        label=device.label,
        kind=device.kind,
        make_model=device.make_model,
        addresses=tuple(one.address for one in device.addresses),
        marks=found.marks,
        review=found.review,
        seen_at=head.started,
        baseline=expected.name,
        baseline_hash=expected.hash,
        words=dict(sorted(Counter(str(one.result) for one in judged).items())),
        checks=checks,
        left_out=tuple(sorted(set(checks).difference(head.selected))),
        findings=_findings(judged),
        untold=_untold(judged, expected.must_determine),
        statements=tuple(
            Control(
                control=one.control, question=one.question, state=one.state, answer=one.answer,
                statement=one.statement, by=one.by, until=one.until,
            )
            for one in answers
            if one.required
        ),
    )  # fmt: skip


def _findings(results: Iterable[Result]) -> tuple[Finding, ...]:
    """Seen from several vantage points it is one finding, as bad as the worst sight of it; the worst come first."""
    worst: dict[str, Result] = {}
    for one in results:
        if one.result is Word.FAIL:
            before = worst.get(one.finding)
            if before is None or _weight(before) < _weight(one):
                worst[one.finding] = one
    return tuple(
        Finding(
            finding=one.finding,
            check=one.check,
            where=_where(one),
            severity=str(one.severity),
            score=one.score or 0.0,
            observed=one.observed.text,
            exception=one.exception.id if one.exception else None,
            until=one.exception.until if one.exception else None,
            lapsed=f"{one.lapsed.id}: {one.lapsed.why}" if one.lapsed else None,
        )
        for one in sorted(worst.values(), key=_weight, reverse=True)
    )


def _where(one: Result) -> str:
    end = one.endpoint
    place = f"{end.port}/{end.transport} {end.path or ''}".rstrip() if end else "the device as a whole"
    return f"{place}, {one.subject}" if one.subject else place


def _weight(one: Result) -> tuple[bool, float]:
    return one.stands, one.score or 0.0


def _untold(results: Iterable[Result], must: frozenset[str]) -> tuple[UndeterminedCheck, ...]:
    """What is not determined, each check once; and what must be determined and has no result at all."""
    found: dict[tuple[str, str, str], None] = {}
    told: set[str] = set()
    for one in results:
        if one.result in TOLD:
            told.add(one.check)
        else:
            found[one.check, str(one.result), str(one.reason or "no reason is recorded")] = None
    silent = must - told - {check for check, _, _ in found}
    every = [*found, *((check, str(Word.UNKNOWN), "not assessed in this review") for check in sorted(silent))]
    return tuple(UndeterminedCheck(check=c, word=word, reason=why, must=c in must) for c, word, why in every)


def signed(request: AcceptanceRequest, assessed: Acceptance) -> Acceptance:
    """Put to what was assessed who accepts it.

    Raises:
        Wrong: Names the key that is wrong.
    """
    asked, accepts = (sentence(key, getattr(request, key)) for key in ("requested_by", "accepted_by"))
    if same_person(asked, accepts):
        raise InputError("accepted_by", f"{clip(accepts)} is also the requester; another person must accept")
    return replace(
        assessed,
        requested_by=asked,
        accepted_by=accepts,
        reason=sentence("reason", request.reason),
        despite=despite(request.despite, assessed),
    )


def despite(named: Iterable[str], assessed: Acceptance) -> tuple[str, ...]:
    """Check controls that are to be put up with.

    Raises:
        Wrong: One is no control, or it is not attested with no or partly.
    """
    found = tuple(dict.fromkeys(named))
    known = {one.control: one for one in assessed.statements}
    for name in found:
        if name not in known:
            wanted = controls.shipped() if name not in controls.shipped() else known
            raise InputError("despite", str(UnknownName("control that the baseline calls for", name, wanted)))
        if known[name].state != "answered" or known[name].met:
            said = known[name].answer or known[name].state
            raise InputError(
                "despite", f"{name} is {said!r}; only an answer of no or partly can be put up with"
            )
    return found


def draft(accepted: Acceptance) -> Draft:
    """The entry that keeps an acceptance."""
    plain = {key: value for key, value in asdict(accepted).items() if key not in ("id", "on")}
    return Draft(kind=ACCEPTED, subject="A-", body=plain)


def read(entry: Entry) -> Acceptance:
    """An acceptance as the ledger keeps it.

    Raises:
        StoreRefused: It cannot be understood.
    """
    with understood():
        body: dict[str, Any] = {
            key: tuple(value) if isinstance(value, list) else value for key, value in entry.body.items()
        }
        shapes = (("findings", Finding), ("untold", UndeterminedCheck), ("statements", Control))
        body |= {key: tuple(shape(**one) for one in entry.body[key]) for key, shape in shapes}
        body["marks"] = tuple((kind, value) for kind, value in entry.body["marks"])
        return Acceptance(id=entry.subject, on=entry.at[:10], **body)
