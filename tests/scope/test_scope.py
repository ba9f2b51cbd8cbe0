"""The scope: what may be touched, when and how far."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.errors import ScopeRefused
from hardenprobe.model import Reach
from hardenprobe.scope.scope import Scope, is_loopback
from hardenprobe.scope.window import Window

OFFICE = Scope(
    name="harbour office",
    networks=AddressSet.of(["192.0.2.0/24"]),
    exclude=AddressSet.of(["192.0.2.128/25"]),
)


@pytest.mark.parametrize(
    ("address", "says"),
    [
        pytest.param("198.51.100.1", "outside every network of scope 'harbour office'", id="outside"),
        pytest.param("::ffff:198.51.100.1", "outside every network", id="outside, mapped"),
        pytest.param("192.0.2.200", "excluded by scope", id="excluded"),
        pytest.param("::ffff:192.0.2.200", "excluded by scope", id="excluded, mapped"),
    ],
)
def test_an_address_is_refused(address: str, says: str) -> None:
    with pytest.raises(ScopeRefused, match=says) as caught:
        OFFICE.check(address)
    assert caught.value.address == address


def test_an_excluded_mapped_block_excludes_the_ipv4_addresses() -> None:
    scope = replace(OFFICE, exclude=AddressSet.of(["::ffff:192.0.2.0/120"]))
    with pytest.raises(ScopeRefused, match="excluded"):
        scope.check("192.0.2.1")


def test_an_address_inside_is_let_through() -> None:
    OFFICE.check("192.0.2.1")
    OFFICE.check("::ffff:192.0.2.1")


def test_this_machine_needs_no_file_and_everything_else_does() -> None:
    Scope.loopback().check("127.77.0.1")
    Scope.loopback().check("::1")
    with pytest.raises(ScopeRefused, match="needs a scope file"):
        Scope.loopback().check("192.0.2.1")


@pytest.mark.parametrize("granted", list(Reach))
@pytest.mark.parametrize("wanted", list(Reach))
def test_reach_goes_as_far_as_was_granted(granted: Reach, wanted: Reach) -> None:
    scope = replace(OFFICE, reach=granted)
    order = ["look", "ask", "strain", "alter"]
    if order.index(wanted) <= order.index(granted):
        scope.check_reach(wanted)
    else:
        with pytest.raises(ScopeRefused, match=f"write `reach: {wanted}` there"):
            scope.check_reach(wanted)


NIGHT = Window(first="22:00", last="05:00", zone="Europe/Berlin")


@pytest.mark.parametrize(
    ("now", "is_open"),
    [
        ("2026-11-25T20:59:59+00:00", False),
        ("2026-11-25T21:00:00+00:00", True),
        ("2026-11-26T03:59:59+00:00", True),
        ("2026-11-26T04:00:00+00:00", False),
        ("2026-07-01T20:00:00+00:00", True),  # summer time: 22:00 there
        ("2026-07-01T03:00:00+00:00", False),
    ],
)
def test_a_window_over_midnight_in_its_zone(now: str, is_open: bool) -> None:
    assert NIGHT.open_at(datetime.fromisoformat(now)) is is_open
    scope = replace(OFFICE, window=NIGHT)
    if is_open:
        scope.check_now(datetime.fromisoformat(now))
    else:
        with pytest.raises(ScopeRefused, match="22:00 to 05:00 Europe/Berlin; it is closed now"):
            scope.check_now(datetime.fromisoformat(now))


def test_the_authorisation_ends_with_its_last_day() -> None:
    scope = replace(OFFICE, until=date(2026, 12, 31))
    last = datetime(2026, 12, 31, 23, 59, tzinfo=UTC)
    scope.check_now(last)
    with pytest.raises(ScopeRefused, match="ended on 2026-12-31"):
        scope.check_now(last + timedelta(minutes=1))


def test_a_stop_file_stops_at_once(tmp_path: Path) -> None:
    scope = replace(OFFICE, stop_file=tmp_path / "stop")
    scope.check("192.0.2.1")
    (tmp_path / "stop").touch()
    with pytest.raises(ScopeRefused, match="remove it to scan"):
        scope.check("192.0.2.1")


@given(st.ip_addresses())
def test_loopback_is_what_the_standard_says(address: object) -> None:
    ip = getattr(address, "ipv4_mapped", None) or address
    assert is_loopback(str(address)) is ip.is_loopback
