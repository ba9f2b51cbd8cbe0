"""Where a page leads: bytes to values."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.probes.web.page import MOST_PATHS, look_at, own_paths

BASE, HOSTS = "http://192.0.2.7/start/", ("192.0.2.7", "one.devices.example")


def paths(*addresses: str) -> tuple[str, ...]:
    return own_paths(addresses, BASE, HOSTS)


@pytest.mark.parametrize(
    ("address", "path"),
    [
        ("/network", "/network"),
        ("network.html", "/start/network.html"),
        ("//one.devices.example/x", "/x"),
        ("https://ONE.devices.example:8443/x#top", "/x"),
        ("http://192.0.2.7", "/"),
    ],
)
def test_a_path_of_the_device(address: str, path: str) -> None:
    assert paths(address) == (path,)


@pytest.mark.parametrize(
    "address",
    [
        "https://elsewhere.example/x",
        "http://one.devices.example@elsewhere.example/x",
        "http://192.0.2.70/",
        "javascript:reset()",
        "mailto:a@b.example",
        "data:text/html,x",
        "/page?do=reset",
        "/reboot",
        "/Log-Out",
        "/menu/factory-reset.html",
        "/print/test",
        "/style.css",
        "http://[",
        "/a b",
        "/\x00",
        "/" + "a" * 300,
    ],
)
def test_what_is_elsewhere_acts_or_is_no_page_is_left_alone(address: str) -> None:
    assert paths(address) == ()


def test_the_most_telling_come_first_and_no_more_than_a_few() -> None:
    found = paths(*(f"/p{n}" for n in range(9)), "/admin", "/p0", "/network/settings")
    assert found[:3] == ("/admin", "/network/settings", "/p0")
    assert len(found) == MOST_PATHS


def test_links_frames_and_forms_are_told_apart() -> None:
    page = look_at(
        b"<frameset><frame src=top.html><frame src='/menu'></frameset><a href=/a>x</a><a>y</a>"
        b"<area href='/b'><form action='/sign-in' method=post><input type=password></form><form>"
        b"<img src=/c><link href=/d><script src=/e></script>"
    )
    assert page.addresses == ["top.html", "/menu", "/a", "/b"]
    assert (page.actions, page.password_field) == (["/sign-in", ""], True)


@pytest.mark.parametrize(
    ("body", "leads_to"),
    [
        (b'<meta http-equiv=Refresh content="0; URL=https://h/x">', "https://h/x"),
        (b"<meta http-equiv=refresh content='5;url=\"/x\"'>", "/x"),
        (b'<meta http-equiv="refresh" content="30">', None),
        (b'<meta name="refresh" content="0; url=/x">', None),
        (b"<script>window.location = 'https://h/';</script>", "https://h/"),
        (b'<script>top.location.href="/login.htm"</script>', "/login.htm"),
        (b'<script>location.replace("https://h/")</script>', "https://h/"),
        (b"<p>location = 'https://h/'</p>", None),
        (b"<script>if (location == 'https://h/') go()</script>", None),
    ],
)
def test_where_a_page_sends_a_browser_by_itself(body: bytes, leads_to: str | None) -> None:
    assert look_at(body).leads_to == leads_to


@given(st.lists(st.text(max_size=80), max_size=8))
def test_any_address_is_a_path_of_the_device_or_nothing(addresses: list[str]) -> None:
    for path in paths(*addresses):
        assert path.startswith("/") and path.isascii() and path.isprintable()


@pytest.mark.parametrize(
    "unit",
    [b"<a href=//x ", b"<script>location=", b"location.replace(", b"<meta http-equiv=refresh content=0"],
)
def test_no_page_takes_long(unit: bytes) -> None:
    began = time.perf_counter()
    page = look_at(b"<script>" + unit * (262144 // len(unit)))
    own_paths(page.addresses, BASE, HOSTS)
    assert time.perf_counter() - began < 2
