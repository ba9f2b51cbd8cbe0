"""How far a device's clock is from ours, in the forms that devices state a time in.

Source: RFC 9110 section 5.6.7 (HTTP-date), RFC 2579 DateAndTime (8 octets without a zone, 11 with one).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from email.utils import parsedate_to_datetime

QUARTER = 900  # seconds; every zone in use differs from UTC by whole quarters of an hour
WEST, EAST = -12 * 3600, 14 * 3600  # the furthest zones in use


@dataclass(frozen=True)
class StatedTime:
    """A time as a device stated it.

    Attributes:
        when: As if it were UTC where it has no zone.
        zoned: It says its zone.
    """

    when: datetime
    zoned: bool


def http_date(text: str) -> StatedTime | None:
    """Read a Date header; None where it is no date.

    >>> http_date("Sun, 06 Nov 1994 08:49:37 GMT").when.isoformat()
    '1994-11-06T08:49:37+00:00'
    """
    try:
        when = parsedate_to_datetime(text[:64])
        # An HTTP-date is always UTC; the reader leaves "-0000" without a zone.
        return StatedTime(when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC), True)
    except (ValueError, TypeError, OverflowError, IndexError):
        return None


def date_and_time(octets: bytes) -> StatedTime | None:
    """Read a DateAndTime; None where it is none.

    >>> date_and_time(bytes.fromhex("07c8051a0d1e0f02 2d0400")).when.isoformat()
    '1992-05-26T17:30:15.200000+00:00'
    >>> date_and_time(bytes.fromhex("07c8051a0d1e0f02")).zoned
    False
    """
    if len(octets) not in (8, 11):
        return None
    try:
        month, day, hour, minute, second, tenths = octets[2:8]
        local = datetime(
            int.from_bytes(octets[:2], "big"), month, day, hour, minute, min(second, 59), tenths * 100000,
            tzinfo=UTC,
        )  # fmt: skip
        if len(octets) == 8:
            return StatedTime(local, False)
        sign, hours, minutes = octets[8:11]
        if sign not in b"+-" or hours > 14 or minutes > 59:
            return None
        zone = timezone(timedelta(hours=hours, minutes=minutes) * (1 if sign == ord("+") else -1))
        return StatedTime(local.replace(tzinfo=zone).astimezone(UTC), True)
    except (ValueError, OverflowError):
        return None


def ahead(told: StatedTime, ours: datetime) -> float:
    """Seconds by which the device is ahead of us.

    Without a zone only what no zone explains is counted: the rest to the nearest quarter of an hour, or all of it beyond
    the furthest zones.

    >>> noon = datetime(2026, 1, 1, 12, tzinfo=UTC)
    >>> ahead(StatedTime(noon + timedelta(hours=2, seconds=5), False), noon)
    5.0
    """
    difference = (told.when - ours).total_seconds()
    if told.zoned:
        return difference
    nearest = min(max(round(difference / QUARTER) * QUARTER, WEST), EAST)
    return difference - nearest
