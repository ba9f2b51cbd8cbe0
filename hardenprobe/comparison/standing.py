"""What is open on the day of a review, as far as the reviews up to it tell: first seen, open since, due, last seen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from hardenprobe.comparison.finding_state import Sighting
from hardenprobe.comparison.stored import Held, devices_of, reviews_until, visits_of
from hardenprobe.comparison.timelines import Timeline, Visit, timelines
from hardenprobe.model import Device, FindingDates, Review, Severity
from hardenprobe.store.device_rows import pages
from hardenprobe.store.store import Store


@dataclass(frozen=True, kw_only=True)
class OpenFinding:
    """A finding that is open as far as is known.

    Attributes:
        key: Of the finding as it was seen first; it stays, wherever the finding moves.
        device: As the newest review has it.
        sighting: As it was seen last.
        assessed: The review itself saw it; False where it is open by what an earlier review saw.
        why: Why the review did not assess it; "" where it did.
        lapsed_since: When the first of the newest reviews began in which a risk acceptance no longer covered it.
    """

    key: str
    device: Device
    sighting: Sighting
    dates: FindingDates
    assessed: bool
    why: str
    lapsed_since: str | None = None

    @property
    def severity(self) -> Severity | None:
        word = self.sighting.verdict.entry["severity"]
        return Severity(word) if word else None

    @property
    def accepted_until(self) -> str | None:
        """Last day of the risk acceptance that covers it."""
        exception = self.sighting.verdict.entry["exception"]
        return str(exception["until"]) if exception else None


@dataclass(frozen=True, kw_only=True)
class Count:
    """What was open when a review was made.

    Attributes:
        standing: Open findings by severity, those with a risk acceptance left out.
        accepted: Those with one.
    """

    review: str
    started: str
    devices: int
    standing: Counter[Severity | None]
    accepted: int


class Standing:
    """What all reviews up to one tell of its scope."""

    def __init__(
        self, store: Store, last: Review, day: str | None = None, rechecks: Sequence[Review] = ()
    ) -> None:
        """Look the reviews up.

        Args:
            day: By which it is said what is overdue (ISO 8601); that of the newest review where there is none.
            rechecks: Those after the newest review, which tell what is open by now.

        Raises:
            StoreRefused: One of them cannot be read.
        """
        self.last = last
        self.day = day or last.head.started[:10]
        self.held: Sequence[Held] = reviews_until(store, last)
        self._last = len(self.held) - 1
        self.held = [*self.held, *(Held(store, one) for one in rechecks)]

    def dates(self, devices: Collection[str]) -> dict[str, Mapping[str, FindingDates]]:
        """Device to the dates of its findings in the newest review, by their keys; ask for a few devices at once."""
        number = self._last
        return {
            device: {
                line.sights[number].verdict.finding: _dates(visits, line, number, self.day)
                for line in timelines(visits[: number + 1])
                if number in line.sights
            }
            for device, visits in visits_of(self.held, devices).items()
        }

    def open(self) -> Iterator[OpenFinding]:
        """Every finding that is open, of devices that were not met or not asked too; device after device."""
        number = len(self.held) - 1
        for visits, lines in self._all():
            device = next(one.evidence.record for one in reversed(visits) if one.evidence)
            for line in lines:
                if not line.is_open(number):
                    continue
                assessed = max(line.sights) >= self._last
                cause = None if assessed else line.says[self._last].cause
                yield OpenFinding(
                    key=line.sights[line.first].verdict.finding,
                    device=device,
                    sighting=line.newest,
                    dates=_dates(visits, line, number, self.day),
                    assessed=assessed,
                    why=cause.text if cause else "",
                    lapsed_since=_lapsed_since(visits, line),
                )

    def trend(self, most: int) -> list[Count]:
        """What was open at each scan of the whole, the oldest first: narrow reviews and rechecks are left out.

        Args:
            most: Scans before the newest review that are counted at most.
        """
        again = self.last.head.judged_from
        wanted = [
            n
            for n, one in enumerate(self.held[: self._last])
            if not one.outline.head.narrow and one.id != again
        ][-most:]
        wanted.append(self._last)
        standing: dict[int, Counter[Severity | None]] = {n: Counter() for n in wanted}
        accepted: Counter[int] = Counter()
        for _, lines in self._all():
            for line in lines:
                for n in wanted:
                    if not line.is_open(n):
                        continue
                    entry = line.sight_until(n).verdict.entry
                    if entry["exception"]:
                        accepted[n] += 1
                    else:
                        standing[n][Severity(entry["severity"]) if entry["severity"] else None] += 1
        return [
            Count(
                review=self.held[n].id,
                started=self.held[n].conditions.at,
                devices=len(self.held[n].rows),
                standing=standing[n],
                accepted=accepted[n],
            )
            for n in wanted
        ]

    def _all(self) -> Iterator[tuple[list[Visit], list[Timeline]]]:
        for page in pages(devices_of(self.held)):
            for visits in visits_of(self.held, page).values():
                yield visits, timelines(visits)


def _lapsed_since(visits: Sequence[Visit], line: Timeline) -> str | None:
    since = None
    for number in sorted(line.sights, reverse=True):
        if line.sights[number].verdict.entry["lapsed"] is None:
            break
        since = visits[number].at
    return since


def _dates(visits: Sequence[Visit], line: Timeline, number: int, day: str) -> FindingDates:
    since = line.open_since(number)
    assert since
    sight = line.sight_until(number)
    severity, exception = sight.verdict.entry["severity"], sight.verdict.entry["exception"]
    baseline = sight.evidence.record.baseline
    # A review judges by the baselines of its own day, and what it did not assess was judged by an earlier one.
    known = (visit.conditions.due_days for visit in reversed(visits[: number + 1]))
    named = next((days for days in known if baseline and baseline.name in days), {})
    days = named.get(baseline.name if baseline else "", {}).get(severity)
    due = None if days is None else (datetime.fromisoformat(since) + timedelta(days=days)).date().isoformat()
    return FindingDates(
        first_seen=visits[line.first].at,
        open_since=since,
        last_seen=visits[max(at for at in line.sights if at <= number)].at,
        due=due,
        overdue=due is not None and due < day and not (exception and exception["until"] >= day),
    )
