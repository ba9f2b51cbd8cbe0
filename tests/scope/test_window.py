"""The daily window, on a wall clock that some zones move twice a year."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from hardenprobe.scope.window import Window


@given(st.times(), st.times(), st.datetimes(timezones=st.just(UTC)))
def test_a_window_and_its_turned_round_one_share_the_day(first: object, last: object, now: datetime) -> None:
    a, b = str(first), str(last)
    if a != b:
        assert Window(first=a, last=b).open_at(now) is not Window(first=b, last=a).open_at(now)


# The European Union's clocks change at 01:00 UTC on the last Sundays of March and October (Directive 2000/84/EC,
# articles 2 and 3): in 2026 on 29 March, when 02:00 to 03:00 is missing in Berlin, and on 25 October, when it comes twice.
# Those of New York change at 02:00 on the second Sunday of March and the first of November (Energy Policy Act of 2005,
# section 110): on 8 March and on 1 November 2026, when 01:00 to 02:00 comes twice.
BERLIN, NEW_YORK = "Europe/Berlin", "America/New_York"


def hours(first: str, last: str, zone: str, day: str) -> list[str]:
    """From when to when a window is open from noon UTC of a day to noon of the next, in UTC, minute by minute."""
    window = Window(first=first, last=last, zone=zone)
    start = datetime.fromisoformat(f"{day}T12:00:00+00:00")
    found: list[str] = []
    was = False
    for minute in range(24 * 60 + 1):
        now = start + timedelta(minutes=minute)
        if (here := window.open_at(now)) is not was:
            found.append(f"{now:%H:%M}")
            was = here
    return found


@pytest.mark.parametrize(
    ("first", "last", "zone", "day", "open_in_utc"),
    [
        pytest.param("22:00", "05:00", BERLIN, "2026-03-28", ["21:00", "03:00"], id="missing: an hour less"),
        pytest.param("22:00", "02:30", BERLIN, "2026-03-28", ["21:00", "01:00"], id="missing: it ends there"),
        pytest.param("02:30", "06:00", BERLIN, "2026-03-28", ["01:00", "04:00"], id="missing: it begins there"),
        pytest.param("02:10", "02:50", BERLIN, "2026-03-28", [], id="missing: all of it"),
        pytest.param("02:10", "02:50", BERLIN, "2026-03-27", ["01:10", "01:50"], id="the night before"),
        pytest.param("02:30", "05:00", NEW_YORK, "2026-03-07", ["07:00", "09:00"], id="missing: begins across the sea"),
        pytest.param("01:00", "03:00", NEW_YORK, "2026-03-07", ["06:00", "07:00"], id="missing: across the sea"),
        pytest.param("22:00", "05:00", BERLIN, "2026-10-24", ["20:00", "04:00"], id="twice: an hour more"),
        pytest.param("22:00", "02:30", BERLIN, "2026-10-24", ["20:00", "00:30"], id="twice: it ends there, once"),
        pytest.param(
            "02:30", "06:00", BERLIN, "2026-10-24", ["00:30", "01:00", "01:30", "05:00"],
            id="twice: it begins there, and the clock is before it once more",
        ),
        pytest.param("02:10", "02:50", BERLIN, "2026-10-24", ["00:10", "00:50"], id="twice: all of it, once"),
        pytest.param("00:00", "01:30", NEW_YORK, "2026-10-31", ["04:00", "05:30"], id="twice: across the sea"),
        pytest.param("22:00", "05:00", "UTC", "2026-10-24", ["22:00", "05:00"], id="UTC knows no such night"),
    ],
)  # fmt: skip
def test_a_window_in_the_nights_that_clocks_change(
    first: str, last: str, zone: str, day: str, open_in_utc: list[str]
) -> None:
    assert hours(first, last, zone, day) == open_in_utc


@given(
    st.integers(0, 1439), st.integers(0, 1439),
    st.one_of(
        st.datetimes(datetime(2026, 1, 1), datetime(2027, 1, 1)),
        st.datetimes(datetime(2026, 10, 24, 22), datetime(2026, 10, 25, 4)),
        st.datetimes(datetime(2026, 10, 31, 4), datetime(2026, 11, 1, 8)),
    ),
    st.sampled_from([BERLIN, NEW_YORK, "Australia/Lord_Howe", "UTC"]),
)  # fmt: skip
def test_it_is_never_open_at_an_hour_that_the_wall_clock_does_not_allow(
    first: int, last: int, moment: datetime, zone: str
) -> None:
    """Lord Howe Island's clocks change by half an hour."""
    assume(first != last)  # the file refuses that
    now = moment.replace(tzinfo=UTC)
    window = Window(
        first=f"{first // 60:02}:{first % 60:02}", last=f"{last // 60:02}:{last % 60:02}", zone=zone
    )
    here = now.astimezone(ZoneInfo(zone))
    minute = here.hour * 60 + here.minute
    allowed = first <= minute < last if first < last else minute >= first or minute < last
    if window.open_at(now):
        assert allowed
    elif allowed:  # shut although the clock allows it: only where this hour, or the end, comes twice
        before = (now - timedelta(hours=3)).astimezone(ZoneInfo(zone)).utcoffset()
        after = (now + timedelta(hours=26)).astimezone(ZoneInfo(zone)).utcoffset()
        assert before is not None and after is not None and before > after
