"""The scope: what may be touched, when and how far; and its file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.addresses import AddressSet
from hardenprobe.errors import FileInvalid, ScopeRefused
from hardenprobe.records import Reach
from hardenprobe.scope import Scope, is_loopback
from hardenprobe.scope_file import load
from hardenprobe.window import Window

GOOD = """\
scope: "hardenprobe.scope/1"
name: "harbour office"
authorised_by: "Imke Sandvoort"
networks: ["192.0.2.0/24", "2001:db8::/64"]
exclude: ["192.0.2.128/25"]
"""
OFFICE = Scope(
    name="harbour office",
    networks=AddressSet.of(["192.0.2.0/24"]),
    exclude=AddressSet.of(["192.0.2.128/25"]),
)
Write = Callable[[str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def written(text: str) -> Path:
        path = tmp_path / "scope.yaml"
        path.write_text(text)
        return path

    return written


def test_a_good_file(write: Write) -> None:
    more = """\
until: "2026-12-31"
window: {first: "22:00", last: "05:00", zone: "Europe/Berlin"}
stop_file: "~/stop"
sources: ["192.0.2.7/32"]
reach: "strain"
contacts: ["monitoring"]
clock_checked_by: "Imke Sandvoort"
translated: false
"""
    scope = load(write(GOOD + more))
    assert (scope.name, scope.authorised_by, scope.reach) == (
        "harbour office",
        "Imke Sandvoort",
        Reach.STRAIN,
    )
    assert scope.networks.count == 256 + 2**64
    assert (scope.until, scope.translated) == (date(2026, 12, 31), False)
    assert scope.stop_file == Path.home() / "stop"
    scope.check_source("192.0.2.7")
    with pytest.raises(ScopeRefused, match="none of the testers' addresses"):
        scope.check_source("192.0.2.8")


def test_defaults_of_a_short_file(write: Write) -> None:
    scope = load(write(GOOD))
    assert (scope.reach, scope.until, scope.window, scope.sources) == (Reach.ASK, None, None, None)
    assert (scope.clock_checked_by, scope.translated) == ("", None)
    scope.check_source("192.0.2.200")  # a file that names none allows any


@pytest.mark.parametrize(
    ("change", "line", "says"),
    [
        pytest.param(("networks: [", "networks: []\n# ["), 4, "name at least one network", id="no network"),
        pytest.param(
            ('"192.0.2.0/24"', '"192.0.2.5/24"'),
            4,
            "did you mean 192.0.2.0/24 or the address",
            id="host bits",
        ),
        pytest.param(('"192.0.2.0/24"', '"192.0.2.0/0.0.0.255"'), 4, "wildcard mask", id="wildcard mask"),
        pytest.param(('"192.0.2.0/24"', '"0.0.0.0/0"'), 4, "is everything", id="everything"),
        pytest.param(('"192.0.2.0/24"', '"8.0.0.0/8"'), 4, "public and wide", id="wide and public"),
        pytest.param(('"192.0.2.0/24"', '"printers"'), 4, "no CIDR block", id="a name"),
        pytest.param(("192.0.2.128/25", "192.0.2.129/25"), 5, "did you mean 192.0.2.128/25", id="exclusion"),
        pytest.param(('"Imke Sandvoort"', '" "'), 3, "name who authorised", id="nobody authorised it"),
        pytest.param(("scope/1", "scope/2"), 1, "expected 'hardenprobe.scope/1'", id="another format"),
        pytest.param(("exclude:", "exlude:"), 5, "did you mean 'exclude'?", id="misspelt key"),
        pytest.param(
            ("authorised_by:", "authorized_by:"), 3, "did you mean 'authorised_by'?", id="misspelt duty"
        ),
        pytest.param(("exclude:", "name:"), 5, "stands here twice", id="repeated key"),
        pytest.param(("exclude:", "until: tomorrow\nexclude:"), 5, "expected a day", id="no day"),
        pytest.param(
            ("exclude:", "reach: far\nexclude:"), 5, "'look', 'ask', 'strain' or 'alter'", id="no reach"
        ),
        pytest.param(
            ("exclude:", "window: {first: '25:00', last: '05:00'}\nexclude:"),
            5,
            "expected HH:MM",
            id="no hour",
        ),
        pytest.param(
            ("exclude:", "window: {first: '22:00+01:00', last: '05:00'}\nexclude:"),
            5,
            "expected HH:MM",
            id="an hour with a zone of its own",
        ),
        pytest.param(
            ("exclude:", "window: {first: '22:00', last: '05:00', zone: 'Mars'}\nexclude:"),
            5,
            "no IANA time zone",
            id="no zone",
        ),
        pytest.param(
            ("exclude:", "window: {frist: '22:00', last: '05:00'}\nexclude:"),
            5,
            "did you mean 'first'?",
            id="misspelt inner key",
        ),
    ],
)
def test_a_wrong_file(write: Write, change: tuple[str, str], line: int, says: str) -> None:
    assert change[0] in GOOD
    path = write(GOOD.replace(*change))
    with pytest.raises(FileInvalid) as caught:
        load(path)
    assert str(caught.value).startswith(f"{path}:{line}: ")
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


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


@given(st.times(), st.times(), st.datetimes(timezones=st.just(UTC)))
def test_a_window_and_its_turned_round_one_share_the_day(first: object, last: object, now: datetime) -> None:
    a, b = str(first), str(last)
    if a != b:
        assert Window(first=a, last=b).open_at(now) is not Window(first=b, last=a).open_at(now)


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
