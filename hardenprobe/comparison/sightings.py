"""How long a finding has been there, along the reviews of its scope."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from hardenprobe.baseline.baseline import Baseline
from hardenprobe.comparison.finding_state import Tells
from hardenprobe.model import Severity


@dataclass(slots=True)
class Sightings:
    """What the reviews before told of a finding, the oldest first.

    Attributes:
        first: When it was seen first.
        since: When it was seen first since it was last known to be gone; None while it is gone.
        last: When it was seen last.
    """

    first: str | None = None
    since: str | None = None
    last: str | None = None

    def add(self, tells: Tells, at: str) -> None:
        """Add what one more review tells. What it does not tell leaves things as they were."""
        if tells == "there":
            self.first = self.first or at
            self.since = self.since or at
            self.last = at
        elif tells == "gone":
            self.since = None

    @property
    def known_gone(self) -> bool:
        """It was there once, and a later review saw that it was gone."""
        return self.first is not None and self.since is None

    def joined(self, other: Sightings) -> Sightings:
        """The sightings of a finding that moved: `other` are those at the place where it was before."""
        return Sightings(
            first=min(filter(None, (self.first, other.first)), default=None),
            since=min(filter(None, (self.since, other.since)), default=None),
            last=max(filter(None, (self.last, other.last)), default=None),
        )


def days_between(since: str, until: str) -> int:
    """Whole days between two moments in ISO 8601."""
    return (datetime.fromisoformat(until) - datetime.fromisoformat(since)).days


def due(baseline: Baseline, severity: Severity | None, since: str) -> date | None:
    """The last day to mend a finding, None where the baseline sets no days for its severity."""
    days = getattr(baseline.file.due_days, severity.value) if severity else None
    return None if days is None else datetime.fromisoformat(since).date() + timedelta(days=days)
