"""http-redirect-leaves-device: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.tls import chain

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.http_redirect_leaves_device import CHECK
from hardenprobe.facts import DeclaredDevice, HttpAnswer, TlsPort
from hardenprobe.model import Reason, State, Word
from hardenprobe.testing import HOSTILE, at, declared, seen_device, tcp_port

LISTED = declared(DeclaredDevice(asset_tag="T", device_kind="printer", names=("one.devices.example",)))


def redirect(location: str | None, *, tls: bool = False, status: int = 302) -> Any:
    facts = HttpAnswer(tls=tls, path="/", status=status, location=location)
    return at(443 if tls else 80, facts, protocol="https" if tls else "http", path="/")


def shows(*names: str) -> Any:
    return at(443, TlsPort(speaks=True, chains=(chain(names=names),)))


@pytest.mark.parametrize(
    ("location", "word", "vector", "says"),
    [
        pytest.param("https://127.0.9.10:8443/", Word.PASS, None, "itself", id="its address"),
        pytest.param(
            "https://ONE.devices.example./x", Word.PASS, None, "itself", id="its name, written otherwise"
        ),
        pytest.param("https://console.portal.example/", Word.FAIL, None, "console.portal", id="another host"),
        pytest.param(
            "https://one.devices.example@console.portal.example/",
            Word.FAIL,
            None,
            "console.portal",
            id="trap: before the @",
        ),
        pytest.param(
            "https://one.devices.example.portal.example/", Word.FAIL, None, "portal", id="trap: a prefix"
        ),
        pytest.param("//console.portal.example/", Word.FAIL, None, "console", id="without a scheme"),
        pytest.param("http://one.devices.example/", Word.FAIL, "in clear", "again", id="plain HTTP again"),
        pytest.param("/login", Word.FAIL, "in clear", "again", id="a path, so plain HTTP again"),
        pytest.param("javascript:alert(1)", Word.FAIL, None, "no web page", id="no web page"),
        pytest.param("https://192.0.2.9/", Word.FAIL, None, "192.0.2.9", id="another address"),
    ],
)
def test_redirect_of_a_listed_device(location: str, word: Word, vector: str | None, says: str) -> None:
    observation = redirect(location)
    (outcome,) = CHECK.judge(seen_device(LISTED, tcp_port(80), observation), NoSettings())
    assert (outcome.word, outcome.vector) == (word, vector)
    assert says in outcome.observed.text
    assert outcome.proof == (observation.id,)


@pytest.mark.parametrize("location", [None, "", "https://["])
def test_a_place_that_cannot_be_read_is_unknown(location: str | None) -> None:
    (outcome,) = CHECK.judge(seen_device(redirect(location)), NoSettings())
    assert (outcome.word, outcome.reason) == (Word.UNKNOWN, Reason.INCONCLUSIVE)


def test_a_redirect_from_https_back_to_plain_http_fails() -> None:
    """RFC 9325 section 3.2."""
    back = redirect("http://one.devices.example/", tls=True)
    (outcome,) = CHECK.judge(seen_device(LISTED, back), NoSettings())
    assert (outcome.word, outcome.vector) == (Word.FAIL, "in clear")
    assert "back to plain HTTP" in outcome.observed.text


def test_a_path_over_tls_stays() -> None:
    assert [o.word for o in CHECK.judge(seen_device(redirect("/x", tls=True)), NoSettings())] == [Word.PASS]


def test_a_name_that_only_the_certificate_holds_is_the_devices_own() -> None:
    seen = seen_device(redirect("https://panel.devices.example/"), shows("panel.devices.example"))
    assert [o.word for o in CHECK.judge(seen, NoSettings())] == [Word.PASS]


def test_without_any_name_to_compare_with_it_is_informational_and_an_address_is_not() -> None:
    for location, word in (("https://x.example/", Word.INFORMATIONAL), ("https://192.0.2.1/", Word.FAIL)):
        (outcome,) = CHECK.judge(seen_device(redirect(location)), NoSettings())
        assert outcome.word is word


def test_without_a_redirect() -> None:
    page = at(80, HttpAnswer(tls=False, path="/", status=401, location="https://x/"), protocol="http")
    for seen, word in (
        (seen_device(page), Word.NOTAPPLICABLE),
        (seen_device(tcp_port(80, State.REFUSING)), Word.NOTAPPLICABLE),
        (seen_device(tcp_port(80, State.SILENT)), Word.UNKNOWN),
    ):
        assert [o.word for o in CHECK.judge(seen, NoSettings())] == [word]


@given(location=st.none() | st.text() | st.sampled_from(HOSTILE), tls=st.booleans())
def test_no_location_makes_it_break(location: str | None, tls: bool) -> None:
    assert len(list(CHECK.judge(seen_device(LISTED, redirect(location, tls=tls)), NoSettings()))) == 1
