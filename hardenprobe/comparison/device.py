"""One device of two reviews compared."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from hardenprobe.baseline.baseline import Baseline
from hardenprobe.comparison import finding_state as told
from hardenprobe.comparison.causes import VerdictBasis, behind, causes, exceptions
from hardenprobe.comparison.drift import drift
from hardenprobe.comparison.finding_state import Evidence, Known, Sighting
from hardenprobe.comparison.records import Cause, Change, DeviceChange, Kind, Met, Side, Why
from hardenprobe.comparison.sightings import days_between, due
from hardenprobe.comparison.timelines import Timeline, Visit, timelines
from hardenprobe.model import UNTOLD, Result, Word
from hardenprobe.model.document import decode_results


@dataclass(frozen=True, kw_only=True)
class Pair:
    """Two reviews of a device, and those before them.

    Attributes:
        visits: Every review up to the newer one in the order in which they were stored, that one last.
        old: Number of the older one among them.
        baseline: Whose days for remediation hold; None where none is known.
        retired: Why nothing is expected of the device any more; None while it belongs to the fleet.
        retired_on: The day on which it was retired, ISO 8601.
    """

    visits: Sequence[Visit]
    old: int
    baseline: Baseline | None = None
    retired: str | None = None
    retired_on: str = ""

    @property
    def new(self) -> int:
        return len(self.visits) - 1

    @property
    def before(self) -> Visit:
        return self.visits[self.old]

    @property
    def after(self) -> Visit:
        return self.visits[-1]


def compare_device(pair: Pair) -> DeviceChange:
    """Say what became of every finding that is known of a device, and which facts differ."""
    old, new = pair.before, pair.after
    newest = next(v.evidence for v in (new, old, *reversed(pair.visits)) if v.evidence)
    met = _met(old.evidence), _met(new.evidence)
    words: dict[tuple[bool, bool], Met] = {
        (True, True): "both", (True, False): "before", (False, True): "now", (False, False): "neither",
    }  # fmt: skip
    return DeviceChange(
        device=newest.record,
        met=words[met],
        changes=tuple(sorted(_changes(pair), key=_order)),
        drift=drift(
            (old.evidence.record, old.evidence.seen),
            (new.evidence.record, new.evidence.seen),
            old.conditions,
            new.conditions,
        )
        if old.evidence and new.evidence and all(met)
        else (),
        told_before=_determined(old.evidence),
        told_now=_determined(new.evidence),
        last_met=next((v.at for v in reversed(pair.visits) if _met(v.evidence)), None),
        not_met=None if met[1] else _not_met(pair, newest),
    )


def _met(evidence: Evidence | None) -> bool:
    return evidence is not None and evidence.met


def _not_met(pair: Pair, newest: Evidence) -> Cause:
    if pair.retired:
        return Cause(why=Why.NOT_REQUIRED, text=pair.retired)
    return pair.after.conditions.not_met(newest.record)


def _determined(evidence: Evidence | None) -> int:
    return (
        sum(one.word not in UNTOLD for some in evidence.results.values() for one in some) if evidence else 0
    )


def _order(change: Change) -> tuple[int, float, str, str]:
    gravest = change.after.score or change.before.score or 0.0
    return list(Kind).index(change.kind), -gravest, change.check, change.finding


def _changes(pair: Pair) -> Iterator[Change]:
    for line in timelines(pair.visits):
        now = line.says[pair.new]
        was_open = line.open_since(pair.old) is not None
        if now.known is Known.OPEN:
            yield _open(pair, line)
        elif now.known is Known.ABSENT:
            if was_open:
                yield _fixed(pair, line)
        elif line.open_since(pair.new):
            assert now.cause
            yield from _not_assessed(pair, line, now.cause)


def _open(pair: Pair, line: Timeline) -> Change:
    """A finding that the newer review has open."""
    now = line.sights[pair.new]
    was = line.sights.get(pair.old)
    gone_between = line.absent_between(pair.old, pair.new)
    if was is None:
        kind, why = _open_again(pair, line, now)
    else:
        kind, why = _still_open(pair, was, now)
    if gone_between and line.seen_before(pair.old + 1):
        kind = Kind.REOPENED
        why = [Cause(why=Why.DEVICE, text="a review in between assessed it as absent"), *why]
    return _change(pair, line, kind, was, now, why)


def _open_again(pair: Pair, line: Timeline, now: Sighting) -> tuple[Kind, list[Cause]]:
    """A finding that the older review does not have open."""
    before = line.assessment(pair.old, pair.before)
    earlier = line.seen_before(pair.old)
    if before.known is Known.ABSENT:
        kind = Kind.REOPENED if earlier else Kind.NEW
    elif earlier:
        kind = Kind.UNCHANGED if line.open_since(pair.old) else Kind.REOPENED
    else:
        kind = Kind.NEW
    if before.cause and before.cause.why is not Why.NOT_REQUIRED:
        return kind, [replace(before.cause, text=f"not determined before: {before.cause.text}")]
    if pair.before.evidence is None:
        return kind, []
    assert pair.after.evidence
    return kind, list(causes(_behind(pair.before.evidence, now), _behind(pair.after.evidence, now)))


def _still_open(pair: Pair, was: Sighting, now: Sighting) -> tuple[Kind, list[Cause]]:
    """A finding that both reviews have open."""
    one, other = _result(was), _result(now)
    why = list(exceptions(one, other))
    kind = Kind.UNCHANGED
    step = (other.score or 0.0) - (one.score or 0.0)
    if step or was.verdict.subject != now.verdict.subject:
        kind = Kind.WORSENED if step > 0 else Kind.IMPROVED if step < 0 else Kind.UNCHANGED
        why += causes(_behind(was.evidence, was), _behind(now.evidence, now))
    if one.exception and not other.exception:
        kind = Kind.NOT_ACCEPTED
    elif other.exception and not one.exception:
        kind = Kind.ACCEPTED
    if _spot(was) != _spot(now):
        why.append(Cause(why=Why.MOVED, text=f"{_spot(was)} before, {_spot(now)} now"))
    return kind, why


def _spot(one: Sighting) -> str:
    spot = told.place_text(one.verdict)
    return f"{spot} at {one.verdict.address}" if one.verdict.place else spot


def _fixed(pair: Pair, line: Timeline) -> Change:
    was = line.newest
    assert pair.after.evidence
    why = causes(_behind(was.evidence, was), _behind(pair.after.evidence, was))
    return _change(pair, line, Kind.FIXED, line.sights.get(pair.old), None, why)


def _not_assessed(pair: Pair, line: Timeline, cause: Cause) -> Iterator[Change]:
    """A finding that is open as far as is known; what is no longer required is said once."""
    before = line.assessment(pair.old, pair.before)
    if pair.retired:
        if pair.retired_on <= pair.before.at[:10]:
            return
        cause = Cause(why=Why.NOT_REQUIRED, text=pair.retired)
    if cause.why is not Why.NOT_REQUIRED:
        yield _change(pair, line, Kind.NOT_REASSESSED, line.sights.get(pair.old), None, [cause])
    elif line.open_since(pair.old) and not before.is_not_required:
        yield _change(pair, line, Kind.NOT_REQUIRED, line.sights.get(pair.old), None, [cause])


def _behind(evidence: Evidence, one: Sighting) -> VerdictBasis:
    return behind(evidence.record, _of(evidence, one), evidence.seen)


def _of(evidence: Evidence, one: Sighting) -> list[told.Entry]:
    """The results that speak of a finding: its own, else those of its check on its port or the device as a whole."""
    checked = evidence.results.get(one.verdict.check, ())
    exact = [told for told in checked if told.finding == one.verdict.finding]
    place = one.verdict.place
    near = exact or [t for t in checked if not t.place or not place or t.place[:2] == place[:2]]
    return [told.entry for told in near]


def _result(one: Sighting) -> Result:
    """The result of a finding; all of a device are read at once, which takes a fraction of the time."""
    memo = one.evidence.memo
    if "failed" not in memo:
        every = [v.entry for some in one.evidence.results.values() for v in some if v.word == Word.FAIL]
        memo["failed"] = dict(zip(map(id, every), decode_results(every), strict=True))
    found: Result = memo["failed"][id(one.verdict.entry)]
    return found


def _change(
    pair: Pair,
    line: Timeline,
    kind: Kind,
    was: Sighting | None,
    now: Sighting | None,
    why: Sequence[Cause],
) -> Change:
    newest = now or line.newest
    result = _result(newest)
    since = None if kind is Kind.FIXED else line.open_since(pair.new)
    last_day = None
    if since and pair.baseline and kind is not Kind.NOT_REQUIRED:
        last_day = due(pair.baseline, result.severity, since)
    today = pair.after.at[:10]
    accepted = result.exception is not None and result.exception.until >= today
    moved = was is not None and now is not None and _place(was) != _place(now)
    return Change(
        finding=newest.verdict.finding,
        check=newest.verdict.check,
        endpoint=result.endpoint,
        subject=newest.verdict.subject,
        kind=kind,
        before=_side(was) if was else _other_side(pair.before.evidence, newest),
        after=_side(now) if now else _other_side(pair.after.evidence, newest),
        causes=tuple(why),
        moved_from=was.verdict.finding if moved and was else None,
        first_seen=pair.visits[line.first].at,
        open_since=since,
        last_seen=pair.visits[max(line.sights)].at,
        days_open=days_between(since, pair.after.at) if since else None,
        due=last_day.isoformat() if last_day else None,
        overdue=last_day is not None and last_day.isoformat() < today and not accepted,
    )


def _place(one: Sighting) -> tuple[object, ...]:
    """Where and about what a finding is; an address that is the only one of its family is no part of it."""
    return one.verdict.place, one.verdict.subject


def _side(found: Sighting) -> Side:
    result = _result(found)
    return Side(
        result=result.result,
        severity=result.severity,
        score=result.score,
        observed=result.observed.text,
        expected=result.expected.text,
        accepted_until=result.exception.until if result.exception else None,
    )


def _other_side(evidence: Evidence | None, one: Sighting) -> Side:
    """What the review says in which it is no finding."""
    entries: list[Mapping[str, Any]] = _of(evidence, one) if evidence else []
    if not entries:
        return Side(result=Word.NOTCHECKED)
    gravest = max(entries, key=lambda entry: entry["result"] in UNTOLD)
    return Side(
        result=gravest["result"],
        reason=gravest["reason"],
        observed=gravest["observed"]["text"],
        expected=gravest["expected"]["text"],
    )
