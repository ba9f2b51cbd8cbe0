"""The hours of a day in which a scan may run, on a wall clock that some zones move twice a year."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo


@dataclass(frozen=True, kw_only=True)
class Window:
    """A daily window; `first` after `last` runs over midnight.

    Attributes:
        first, last: HH:MM in the zone; the window is closed at `last` itself.
        zone: IANA time zone name.
    """

    first: str
    last: str
    zone: str = "UTC"

    def __str__(self) -> str:
        return f"{self.first} to {self.last} {self.zone}"

    def open_at(self, now: datetime) -> bool:
        """Tell whether the window is open at an aware time.

        It is open only while the wall clock says so: in the night that skips an hour it ends at the gap where `last`
        lies in it. In the night that repeats an hour it does not open again once it has closed.
        """
        zone = ZoneInfo(self.zone)
        here = now.astimezone(zone)
        clock, first, last = here.time(), time.fromisoformat(self.first), time.fromisoformat(self.last)
        midnight_between = first > last
        after, before = clock >= first, clock < last
        if not (after or before if midnight_between else after and before):
            return False
        ends_tomorrow = midnight_between and clock >= first
        day = here.date() + timedelta(days=ends_tomorrow)
        return now < datetime.combine(day, last, zone).astimezone(UTC)  # of two readings the earlier
