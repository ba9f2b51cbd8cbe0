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
from hardenprobe.scope.limits import Gentleness, Timing
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
    order = ["listen", "look", "ask", "strain", "alter"]
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


NETWORKS = st.sets(
    st.sampled_from(["192.0.2.0/26", "192.0.2.64/26", "198.51.100.0/24", "2001:db8::/64"]), min_size=1
)
SCOPES = st.builds(
    Scope,
    name=st.sampled_from(["one", "other"]),
    networks=NETWORKS.map(AddressSet.of),
    exclude=st.sets(st.sampled_from(["192.0.2.7", "198.51.100.9"])).map(AddressSet.of),
    reach=st.sampled_from(list(Reach)),
    grants=st.none() | st.frozensets(st.sampled_from(["a", "b"])),
    sources=st.none() | st.just(AddressSet.of(["192.0.2.0/28"])),
    until=st.none() | st.sampled_from([date(2026, 1, 1), date(2027, 1, 1)]),
    gentleness=st.builds(
        Gentleness, pause=st.none() | st.sampled_from([0.5, 1.0]), connections=st.none() | st.sampled_from([5, 9])
    ),
)  # fmt: skip
ASKED = ["192.0.2.1", "192.0.2.7", "192.0.2.70", "198.51.100.1", "198.51.100.9", "2001:db8::1", "203.0.113.1"]


def allows(scope: Scope, question: str, *given: object) -> bool:
    try:
        getattr(scope, question)(*given)
    except ScopeRefused:
        return False
    return True


@given(SCOPES, SCOPES)
def test_of_two_scopes_the_narrower_holds_in_everything(one: Scope, other: Scope) -> None:
    both, now = one.within(other), datetime(2026, 6, 1, tzinfo=UTC)
    questions = [("check_address", address) for address in ASKED]
    questions += [("check_source", "192.0.2.1"), ("check_source", "192.0.2.99"), ("check_now", now)]
    for question, about in questions:
        assert allows(both, question, about) == (
            allows(one, question, about) and allows(other, question, about)
        )
    for reach in Reach:
        assert allows(both, "check_reach", reach) == (
            allows(one, "check_reach", reach) and allows(other, "check_reach", reach)
        )
    for name in ("a", "b"):
        assert both.granted(name) == (one.granted(name) and other.granted(name))
    timing = both.gentleness.tighten(Timing())
    assert timing == one.gentleness.tighten(other.gentleness.tighten(Timing()))


def test_either_stop_file_ends_it(tmp_path: Path) -> None:
    ours = replace(OFFICE, stop_file=tmp_path / "ours")
    theirs = replace(OFFICE, name="theirs", stop_file=tmp_path / "theirs")
    for file in (tmp_path / "ours", tmp_path / "theirs"):
        file.touch()
        with pytest.raises(ScopeRefused, match=file.name):
            ours.within(theirs).check_now()
        file.unlink()
    ours.within(theirs).check_now()
