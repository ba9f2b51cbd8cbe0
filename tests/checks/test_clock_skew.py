"""clock-skew: each branch of its judge, and the forms in which devices state a time."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.checks.clock_skew import CHECK, Settings
from hardenprobe.facts import HttpAnswer, SnmpObjects
from hardenprobe.model import UNPROVEN, Clock, Observation, Reason, Word
from hardenprobe.standards import device_time
from hardenprobe.testing import at, seen_device

EXPECT = Settings(seconds=300)
PROVEN = Clock(now="2026-03-02T21:00:00Z", proven=True, how="the test says so")
ASKED = datetime(2026, 3, 2, 21, 0, 0, tzinfo=UTC)  # when hardenprobe.testing asks


def page(date: str | None, port: int = 80, path: str = "/") -> Observation[Any]:
    return at(port, HttpAnswer(tls=False, path=path, status=200, date=date), path=path)


def system(ahead_s: int = 0, zone: str = "") -> Observation[Any]:
    when = ASKED + timedelta(seconds=ahead_s)
    octets = when.year.to_bytes(2, "big") + bytes(
        (when.month, when.day, when.hour, when.minute, when.second, 0)
    )
    facts = SnmpObjects(version="2c", label="public", origin="default", date=octets.hex() + zone)
    return at(161, facts, transport="udp", protocol="snmp")


@pytest.mark.parametrize(
    ("observation", "word"),
    [
        pytest.param(page("Mon, 02 Mar 2026 21:00:10 GMT"), Word.PASS, id="Date, right"),
        pytest.param(page("Mon, 02 Mar 2026 21:05:01 GMT"), Word.FAIL, id="Date, ahead"),
        pytest.param(page("Mon, 02 Mar 2026 20:54:59 GMT"), Word.FAIL, id="Date, behind"),
        pytest.param(page("Thu, 01 Jan 1970 00:00:00 GMT"), Word.FAIL, id="Date, never set"),
        pytest.param(page("yesterday, about noon"), Word.UNKNOWN, id="Date, unreadable"),
        pytest.param(page(None), Word.UNKNOWN, id="no Date"),
        pytest.param(system(0, "2b0000"), Word.PASS, id="zone UTC, right"),
        pytest.param(system(7200, "2b0200"), Word.PASS, id="two hours east, right"),
        pytest.param(system(7200, "2b0000"), Word.FAIL, id="zone UTC, two hours ahead"),
        pytest.param(system(7200), Word.UNKNOWN, id="no zone, explained by one"),
        pytest.param(system(7200 + 400), Word.FAIL, id="no zone, explained by none"),
        pytest.param(system(15 * 3600), Word.FAIL, id="no zone, beyond the furthest"),
        pytest.param(system(0, "ff"), Word.UNKNOWN, id="nine octets are no time"),
    ],
)
def test_branch(observation: Observation[Any], word: Word) -> None:
    (outcome,) = CHECK.judge(seen_device(observation, clock=PROVEN), EXPECT)
    assert outcome.word is word
    assert (outcome.reason is Reason.INCONCLUSIVE) == (word is Word.UNKNOWN)


def test_our_own_clock_must_be_proven() -> None:
    (outcome,) = CHECK.judge(seen_device(page("Thu, 01 Jan 1970 00:00:00 GMT"), clock=UNPROVEN), EXPECT)
    assert outcome.word is Word.UNKNOWN


def test_each_endpoint_is_told_once() -> None:
    wrong = "Mon, 02 Mar 2026 22:00:00 GMT"
    seen = seen_device(
        page(wrong), page(wrong, path="/settings"), page(wrong, 443), system(3600, "2b0000"), clock=PROVEN
    )
    assert [o.subject for o in CHECK.judge(seen, EXPECT)].count("Date") == 2


@given(st.binary(max_size=16))
def test_any_octets_are_a_time_or_none(octets: bytes) -> None:
    told = device_time.date_and_time(octets)
    assert told is None or len(octets) in (8, 11)


@given(st.text(max_size=80))
def test_any_text_is_a_date_or_none(text: str) -> None:
    told = device_time.http_date(text)
    assert told is None or told.when.utcoffset() == timedelta(0)


@given(st.integers(-48, 56), st.integers(-449, 449))
def test_a_zone_never_makes_a_right_clock_wrong(quarters: int, off: int) -> None:
    """Whole quarters between the furthest zones are explained; the rest is what the clock is wrong by."""
    told = device_time.StatedTime(ASKED + timedelta(seconds=quarters * 900 + off), zoned=False)
    assert device_time.ahead(told, ASKED) == off
