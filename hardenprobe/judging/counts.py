"""Counts over the results of a review, taken device by device, so that they need not all be in memory at once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from hardenprobe.baseline.selection import Expectations
from hardenprobe.model import Device, Reason, Result, Review, Severity, Word
from hardenprobe.model.review_rows import rows_of
from hardenprobe.model.rows import read_device, read_results

UNTOLD = (Word.UNKNOWN, Word.ERROR, Word.NOTCHECKED)


@dataclass(slots=True)
class Counts:
    """What is said of one device.

    Attributes:
        standing: Open findings by severity, without those with a risk acceptance.
        accepted: Findings with a risk acceptance.
        worst: Highest base score of an open finding, None where there is none.
        untold: Results that are not determined.
        checks: Checks that were asked for.
        determined: Those of them of which every result was determined.
    """

    standing: Counter[Severity | None] = field(default_factory=Counter)
    accepted: int = 0
    worst: float | None = None
    untold: int = 0
    checks: int = 0
    determined: int = 0


@dataclass(kw_only=True)
class Tally:
    """The counts of a review.

    Attributes:
        devices: Id to counts.
        standing: Open findings by severity over the whole fleet, without those with a risk acceptance.
        accepted: Findings with a risk acceptance.
        asked: Results but for what was left out on purpose.
        told: Those of them that could be determined.
        untold: Check, reason and word to the devices where it is not determined, each once.
        errors: Check to what is said of its first error.
        undecided: The same key to how many results it is.
        broken_checks: Check, who wrote it and what it said, to the devices with that result in error.
        undetermined: Checks that had to be determined and were not.
        lapsed: Exception that covers a finding no longer, and why, to how many findings, and check and device of one.
    """

    devices: dict[str, Counts] = field(default_factory=dict)
    standing: Counter[Severity | None] = field(default_factory=Counter)
    accepted: int = 0
    asked: int = 0
    told: int = 0
    untold: dict[tuple[str, Reason | None, Word], list[str]] = field(default_factory=dict)
    errors: dict[str, str] = field(default_factory=dict)
    undecided: Counter[tuple[str, Reason | None, Word]] = field(default_factory=Counter)
    broken_checks: dict[tuple[str, str, str], list[str]] = field(default_factory=dict)
    undetermined: set[str] = field(default_factory=set)
    lapsed: dict[tuple[str, str], tuple[int, str, str]] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        results: Iterable[Result],
        devices: Iterable[str],
        must: Mapping[str, frozenset[str]] | None = None,
    ) -> Tally:
        """Count the results of a review.

        Args:
            devices: The ids of all devices, those without results among them.
            must: Device to the checks that must be determined.
        """
        by_device: dict[str, list[Result]] = {device: [] for device in devices}
        for result in results:
            by_device.setdefault(result.device, []).append(result)
        tally = cls()
        for device, found in by_device.items():
            tally.add(device, found, (must or {}).get(device, frozenset()))
        return tally

    def add(self, device: str, results: Iterable[Result], must: frozenset[str] = frozenset()) -> None:
        """Count all results of one device; once for each device."""
        counts = self.devices[device] = Counts()
        asked: set[str] = set()
        open_checks: set[str] = set()
        for result in results:
            word = result.result
            if word is Word.NOTSELECTED:
                continue
            self.asked += 1
            asked.add(result.check)
            if word in UNTOLD:
                counts.untold += 1
                open_checks.add(result.check)
                holders = self.untold.setdefault((result.check, result.reason, word), [])
                if not holders or holders[-1] != device:
                    holders.append(device)
                if word is Word.ERROR:
                    self.errors.setdefault(result.check, result.observed.text)
                self.undecided[result.check, result.reason, word] += 1
                if word is Word.ERROR:
                    error = (result.check, result.origin, result.observed.text)
                    self.broken_checks.setdefault(error, []).append(device)
                if word is Word.UNKNOWN and result.check in must:
                    self.undetermined.add(result.check)
                continue
            self.told += 1
            if result.stands:
                counts.standing[result.severity] += 1
                counts.worst = max(counts.worst or 0.0, result.score or 0.0)
                self.standing[result.severity] += 1
            elif word is Word.FAIL:
                counts.accepted += 1
                self.accepted += 1
            if result.lapsed:
                key = (result.lapsed.id, result.lapsed.why)
                number, check, where = self.lapsed.get(key, (0, result.check, device))
                self.lapsed[key] = (number + 1, check, where)
        counts.checks, counts.determined = len(asked), len(asked - open_checks)

    def merge(self, other: Tally) -> None:
        """Add the counts of other devices, which come after these."""
        self.devices |= other.devices
        self.standing += other.standing
        self.accepted += other.accepted
        self.asked += other.asked
        self.told += other.told
        for key, holders in other.untold.items():
            self.untold.setdefault(key, []).extend(holders)
        self.errors = other.errors | self.errors
        self.undecided += other.undecided
        for error, holders in other.broken_checks.items():
            self.broken_checks.setdefault(error, []).extend(holders)
        self.undetermined |= other.undetermined
        for cover, (number, check, device) in other.lapsed.items():
            before, *first = self.lapsed.get(cover, (0, check, device))
            self.lapsed[cover] = (before + number, str(first[0]), str(first[1]))

    @property
    def broken(self) -> set[str]:
        """The devices with a result in error."""
        return {device for (_, _, word), held in self.untold.items() if word is Word.ERROR for device in held}


def summary(review: Review, expected: Expectations) -> tuple[Review, Tally]:
    """A review without what its devices showed, and its counts, with a few devices in memory at a time.

    Args:
        expected: Says for each device which checks may not stay unknown.
    """
    tally = Tally()
    devices: list[Device] = []
    for part in rows_of(review):
        device = read_device(part.record)
        tally.add(device.id, read_results(part.results), expected.of(device).must_determine)
        devices.append(replace(device, identity=(), services=()))
    return replace(review, devices=tuple(devices), results=(), observations={}), tally
