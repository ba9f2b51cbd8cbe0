"""One device of two reviews beside each other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from hardenprobe.baseline.baseline import Baseline
from hardenprobe.comparison import finding_state
from hardenprobe.comparison.causes import VerdictBasis, behind, causes, exceptions
from hardenprobe.comparison.drift import Entry, drift
from hardenprobe.comparison.finding_state import Asked, Said, Tells, Told, by_check
from hardenprobe.comparison.records import Cause, Change, DeviceChange, Kind, Side, Why
from hardenprobe.comparison.sightings import Sightings, days_between, due
from hardenprobe.model import UNTOLD, Device, Result, Word
from hardenprobe.model.document import decode_results


class Held:
    """A device of one review: its record, its results, and what was seen of it, as entries of the document."""

    def __init__(self, device: Device, results: Sequence[Entry], seen: Sequence[Entry]) -> None:
        self.device = device
        self.results = results
        self.seen = seen
        self.said = Said(by_check(map(finding_state.read, results)), lambda: device)
        self.failed = _failed(results)

    def of(self, one: Told) -> list[Entry]:
        """The results that speak of a finding: its own, else those of its check on its port or the device as a whole."""
        checked = [entry for entry in self.results if entry["check"] == one.check]
        exact = [entry for entry in checked if entry["finding"] == one.finding]
        return exact or [entry for entry in checked if finding_state.covers(finding_state.read(entry), one)]

    def behind(self, one: Told) -> VerdictBasis:
        """What stands behind them."""
        return behind(self.device, self.of(one), self.seen)

    @property
    def determined(self) -> int:
        return sum(one.word not in UNTOLD for some in self.said.results.values() for one in some)


class Failed(NamedTuple):
    """A finding as it is compared, and the result that says most of it."""

    one: Told
    result: Result


def _failed(results: Sequence[Entry]) -> dict[str, Failed]:
    """The findings; where several vantage points saw one, the gravest sight of it that no exception covers."""
    entries = [entry for entry in results if entry["result"] == Word.FAIL]
    found: dict[str, Failed] = {}
    for entry, result in zip(entries, decode_results(entries), strict=True):
        known = found.get(result.finding)
        if known is None or _gravity(result) > _gravity(known.result):
            found[result.finding] = Failed(finding_state.read(entry), result)
    return found


def _gravity(result: Result) -> tuple[bool, float]:
    return result.exception is None, result.score or 0.0


@dataclass(frozen=True, kw_only=True)
class Past:
    """What one earlier review tells of a device; `said` is None where it did not meet it."""

    at: str
    asked: Asked
    said: Said | None


@dataclass(frozen=True, kw_only=True)
class Pair:
    """Two reviews of a device.

    Attributes:
        before, after: None in the review that did not meet it; never both.
        was, now: What each review asked.
        past: Every review before the newer one, the oldest first, the older one among them.
        at: When the newer one was made.
        baseline: Whose days for mending hold; None where none is known.
    """

    before: Held | None
    after: Held | None
    was: Asked
    now: Asked
    past: Sequence[Past]
    at: str
    baseline: Baseline | None = None


def compare_device(pair: Pair) -> DeviceChange:
    """Say what became of every finding that either review has, and which facts differ."""
    before, after = pair.before, pair.after
    known = after or before
    assert known is not None
    both = before is not None and after is not None
    return DeviceChange(
        device=known.device,
        met="both" if both else "now" if after else "before",
        changes=tuple(sorted(_changes(pair), key=_order)),
        drift=drift((before.device, before.seen), (after.device, after.seen), pair.was, pair.now)
        if before and after
        else (),
        told_before=before.determined if before else 0,
        told_now=after.determined if after else 0,
    )


def _order(change: Change) -> tuple[int, float, str, str]:
    gravest = change.after.score or change.before.score or 0.0
    return list(Kind).index(change.kind), -gravest, change.check, change.finding


def _changes(pair: Pair) -> Iterator[Change]:
    old = pair.before.failed if pair.before else {}
    new = pair.after.failed if pair.after else {}
    moved = _moved(pair, old, new)
    for key, now in new.items():
        was = old.get(moved.get(key, key))
        yield _there(pair, was, now) if was else _appeared(pair, now)
    for key, was in old.items():
        if key not in new and key not in moved.values():
            yield _vanished(pair, was)


def _moved(pair: Pair, old: Mapping[str, Failed], new: Mapping[str, Failed]) -> dict[str, str]:
    """Findings that are at another address or port now: same check, subject and path, gone there and new here.

    Returns:
        Key now to key before. Where several could have moved to several places, none is said to have moved.
    """
    if pair.before is None or pair.after is None:
        return {}
    gone = [
        one.one
        for key, one in old.items()
        if key not in new and finding_state.state(one.one, pair.after.said, pair.now, pair.was)[0] != "untold"
    ]
    come = [one.one for key, one in new.items() if key not in old]
    found = {}
    for one in come:
        from_there = [other for other in gone if _same_thing(one, other)]
        to_here = [other for other in come if _same_thing(one, other)]
        if len(from_there) == len(to_here) == 1:
            found[one.finding] = from_there[0].finding
    return found


def _same_thing(one: Told, other: Told) -> bool:
    if one.place is None or other.place is None:
        return False
    return (one.check, one.subject, one.place[0], one.place[2:]) == (
        other.check,
        other.subject,
        other.place[0],
        other.place[2:],
    )


def _trace(pair: Pair, one: Told, seen_by: Asked) -> Sightings:
    """What all reviews before the newer one tell of a finding."""
    found = Sightings()
    for past in pair.past:
        tells: Tells = "untold"
        if past.said is not None:
            tells = finding_state.state(one, past.said, past.asked, seen_by)[0]
        found.add(tells, past.at)
    return found


def _there(pair: Pair, was: Failed, now: Failed) -> Change:
    """A finding of both reviews."""
    assert pair.before and pair.after
    traced = _trace(pair, now.one, pair.now)
    moved = was.one.finding != now.one.finding
    if moved:
        traced = traced.joined(_trace(pair, was.one, pair.was))
    why = list(exceptions(was.result, now.result))
    kind = Kind.STILL
    step = (now.result.score or 0.0) - (was.result.score or 0.0)
    if step:
        kind = Kind.WORSE if step > 0 else Kind.BETTER
        why += causes(pair.before.behind(was.one), pair.after.behind(now.one))
    if was.result.exception and not now.result.exception:
        kind = Kind.COUNTS_AGAIN
    elif now.result.exception and not was.result.exception:
        kind = Kind.ACCEPTED
    if traced.known_gone:
        kind = Kind.CAME_BACK
        why.insert(0, Cause(why=Why.DEVICE, text="a review in between saw that it was gone"))
    if moved or was.one.address != now.one.address:
        why.append(Cause(why=Why.MOVED, text=f"{_spot(was.one)} before, {_spot(now.one)} now"))
    traced.add("there", pair.at)
    return _change(pair, kind, was, now, traced, why, moved_from=was.one.finding if moved else None)


def _spot(one: Told) -> str:
    return f"{one.place[0].upper()} {one.place[1]} at {one.address}" if one.place else "the device as a whole"


def _appeared(pair: Pair, now: Failed) -> Change:
    """A finding of the newer review alone."""
    assert pair.after
    traced = _trace(pair, now.one, pair.now)
    told_before = _not_told(pair.before, now.one, pair.after.device, pair.was, pair.now)
    seen_before = Kind.CAME_BACK if traced.known_gone else Kind.STILL
    kind = seen_before if traced.first else Kind.NEW
    if told_before:
        why = [replace(told_before, text=f"not told before: {told_before.text}")]
    else:
        assert pair.before
        why = list(causes(pair.before.behind(now.one), pair.after.behind(now.one)))
    traced.add("there", pair.at)
    return _change(pair, kind, None, now, traced, why)


def _not_told(held: Held | None, one: Told, device: Device, asked: Asked, other: Asked) -> Cause | None:
    """Why the other review does not tell of a finding; None where it does."""
    return finding_state.state(one, held.said, asked, other)[1] if held else asked.met_not(device)


def _vanished(pair: Pair, was: Failed) -> Change:
    """A finding of the older review alone."""
    assert pair.before
    traced = _trace(pair, was.one, pair.was)
    cause = _not_told(pair.after, was.one, pair.before.device, pair.now, pair.was)
    if cause:
        return _change(pair, Kind.UNTOLD, was, None, traced, [cause])
    assert pair.after
    why = causes(pair.before.behind(was.one), pair.after.behind(was.one))
    traced.add("gone", pair.at)
    return _change(pair, Kind.FIXED, was, None, traced, why)


def _change(
    pair: Pair,
    kind: Kind,
    was: Failed | None,
    now: Failed | None,
    traced: Sightings,
    why: Sequence[Cause],
    moved_from: str | None = None,
) -> Change:
    newest = now or was
    assert newest and traced.first and traced.last
    last_day = None
    if traced.since and pair.baseline:
        last_day = due(pair.baseline, newest.result.severity, traced.since)
    return Change(
        finding=newest.one.finding,
        check=newest.one.check,
        endpoint=newest.result.endpoint,
        subject=newest.one.subject,
        kind=kind,
        before=_side(was) if was else _other_side(pair.before, newest.one),
        after=_side(now) if now else _other_side(pair.after, newest.one),
        causes=tuple(why),
        moved_from=moved_from,
        first_seen=traced.first,
        open_since=traced.since,
        last_seen=traced.last,
        days_open=days_between(traced.since, pair.at) if traced.since else None,
        due=last_day.isoformat() if last_day else None,
        overdue=bool(last_day and newest.result.exception is None and last_day.isoformat() < pair.at[:10]),
    )


def _side(found: Failed) -> Side:
    result = found.result
    return Side(
        result=result.result,
        severity=result.severity,
        score=result.score,
        observed=result.observed.text,
        expected=result.expected.text,
        accepted_until=result.exception.until if result.exception else None,
    )


def _other_side(held: Held | None, one: Told) -> Side:
    """What the review says in which it is no finding."""
    entries: list[Mapping[str, Any]] = held.of(one) if held else []
    if not entries:
        return Side(result=Word.NOTCHECKED)
    gravest = max(entries, key=lambda entry: entry["result"] in UNTOLD)
    return Side(
        result=gravest["result"],
        reason=gravest["reason"],
        observed=gravest["observed"]["text"],
        expected=gravest["expected"]["text"],
    )
