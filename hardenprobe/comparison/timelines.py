"""The findings of one device over its reviews: what each review says of every one of them, and since when it is open."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from hardenprobe.comparison import finding_state
from hardenprobe.comparison.finding_state import (
    OPEN,
    Assessment,
    Conditions,
    Evidence,
    Known,
    Sighting,
    Verdict,
)
from hardenprobe.model import Word


@dataclass(frozen=True, kw_only=True)
class Visit:
    """A review, as far as it is about one device.

    Attributes:
        review: Its id.
        evidence: None where the review does not have the device.
    """

    review: str
    conditions: Conditions
    evidence: Evidence | None

    @property
    def at(self) -> str:
        """When the review began."""
        return self.conditions.at

    @cached_property
    def open(self) -> Mapping[str, Sighting]:
        """Its findings by key; of several vantage points the gravest sight that no exception covers."""
        found: dict[str, Sighting] = {}
        for some in self.evidence.results.values() if self.evidence else ():
            for one in some:
                known = found.get(one.finding)
                if one.word == Word.FAIL and (known is None or _gravity(one) > _gravity(known.verdict)):
                    assert self.evidence
                    found[one.finding] = Sighting(one, self.evidence)
        return found


def _gravity(one: Verdict) -> tuple[bool, float]:
    return one.entry["exception"] is None, one.entry["score"] or 0.0


@dataclass(kw_only=True)
class Timeline:
    """One finding over the reviews of its device. It may move to another address or port, or to a later stage of the same.

    Attributes:
        sights: Number of a visit to the finding as that review saw it open.
        says: What each visit says of it; of those before the first sight only where `at_first` was asked.
        since: After each visit from the first sight on, since when the finding is open as far as is known; None while it is
            known to be absent.
    """

    first: int
    sights: dict[int, Sighting]
    says: dict[int, Assessment] = field(default_factory=dict)
    since: dict[int, str | None] = field(default_factory=dict)

    @property
    def newest(self) -> Sighting:
        """The finding as it was seen open last."""
        return self.sights[max(self.sights)]

    @property
    def asked(self) -> Sighting:
        """The finding as it was seen open last from a vantage point; as it was seen last where it never was."""
        asked = [one for one in self.sights.values() if one.evidence.conditions.asks]
        return asked[-1] if asked else self.newest

    def open_since(self, number: int) -> str | None:
        """Since when it was open, as far as was known after a visit; None where it was not known to be open."""
        return self.since.get(number)

    def is_open(self, number: int) -> bool:
        """Whether it was open after a visit, as far as was known, and still required."""
        return self.open_since(number) is not None and not self.says[number].is_not_required

    def sight_until(self, number: int) -> Sighting:
        """The finding as it was seen open last up to a visit."""
        return self.sights[max(at for at in self.sights if at <= number)]

    def seen_before(self, number: int) -> bool:
        """Whether an earlier visit saw it open."""
        return self.first < number

    def assessment(self, number: int, visit: Visit) -> Assessment:
        """What a visit says of it."""
        if number not in self.says:
            self.says[number] = finding_state.state(self.sights[self.first], visit.evidence, visit.conditions)
        return self.says[number]

    def absent_between(self, number: int, later: int) -> bool:
        """Whether a visit after one and before another saw that it was absent."""
        return any(
            number < at < later and one.known is Known.ABSENT
            for at, one in self.says.items()
            if at > self.first
        )


def timelines(visits: Sequence[Visit]) -> list[Timeline]:
    """Every finding that a visit saw open, in the order of its first sight.

    Args:
        visits: Of one device, in the order in which the reviews were stored.
    """
    found: list[Timeline] = []
    for number, visit in enumerate(visits):
        new = dict(visit.open)
        ended = []
        for line in list(found):
            key = _key(line.newest, new, visit.evidence)
            if key is not None:
                _add(line, number, visit, OPEN, new.pop(key))
                continue
            says = _assessment(line, number, visits)
            if says.known is Known.OPEN:  # one finding by now, which was one of each of two devices
                found.remove(line)
                continue
            if says.known is Known.ABSENT and line.since[number - 1]:
                ended.append(line)
            _add(line, number, visit, says)
        for key, line in _continued(ended, new):
            _add(line, number, visit, OPEN, new.pop(key), since=line.since[number - 1])
        for sight in new.values():
            line = Timeline(first=number, sights={})
            _add(line, number, visit, OPEN, sight)
            found.append(line)
    return found


def _assessment(line: Timeline, number: int, visits: Sequence[Visit]) -> Assessment:
    """What a visit says of a finding that it does not have open.

    What was no longer required stays so while it is not assessed, unless another baseline judges the device by now.
    """
    visit, before = visits[number], line.says[number - 1]
    says = finding_state.state(line.asked, visit.evidence, visit.conditions)
    if says.cause is None or not before.is_not_required or says.is_not_required:
        return says
    last = next(one.evidence for one in reversed(visits[:number]) if one.evidence)
    is_alike = visit.evidence is None or visit.evidence.record.baseline == last.record.baseline
    return before if is_alike else says


def _add(
    line: Timeline,
    number: int,
    visit: Visit,
    says: Assessment,
    sight: Sighting | None = None,
    since: str | None = None,
) -> None:
    line.says[number] = says
    if sight:
        line.sights[number] = sight
    before = since or line.since.get(number - 1)
    if says.known is Known.OPEN:
        before = before or visit.at
    line.since[number] = None if says.known is Known.ABSENT else before


def _key(one: Sighting, new: Mapping[str, Sighting], here: Evidence | None) -> str | None:
    """The key under which a review has a finding; None where it does not have it open."""
    if here is None:
        return None
    key = one.verdict.finding
    if key in new and finding_state.same(one, new[key].verdict, here):
        return key
    return next((key for key, sight in new.items() if finding_state.same(one, sight.verdict, here)), None)


def _continued(ended: Sequence[Timeline], new: Mapping[str, Sighting]) -> Iterator[tuple[str, Timeline]]:
    """Findings that go on at another place, or at the same place at a later stage; none where several could be meant."""
    taken: set[str] = set()
    left = list(ended)
    for alike in (_moved, _later_stage):
        rest = {key: sight for key, sight in new.items() if key not in taken}
        for key, sight in rest.items():
            lines = [line for line in left if alike(line.newest, sight)]
            if len(lines) == 1 and sum(alike(lines[0].newest, other) for other in rest.values()) == 1:
                taken.add(key)
                left.remove(lines[0])
                yield key, lines[0]


def _moved(old: Sighting, new: Sighting) -> bool:
    one, other = old.verdict, new.verdict
    if one.place is None or other.place is None:
        return False
    return (one.check, one.subject, one.place[0], one.place[2:]) == (
        other.check,
        other.subject,
        other.place[0],
        other.place[2:],
    )


def _later_stage(old: Sighting, new: Sighting) -> bool:
    """The device shows what it showed, and only time has passed: what was ending soon has expired."""
    one, other = old.verdict, new.verdict
    if one.check != other.check or one.place is None or one.place != other.place:
        return False
    if other.address != finding_state.now_at(old, new.evidence):
        return False
    if one.entry["expected"]["text"] != other.entry["expected"]["text"]:
        return False
    was, now = old.evidence.proof(one), new.evidence.proof(other)
    return bool(was) and finding_state.steady(was) == finding_state.steady(now)
