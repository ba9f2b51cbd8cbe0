"""http-strict-transport: each branch of its judge."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.tls import chain

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.http_strict_transport import CHECK
from hardenprobe.facts import DeclaredDevice, HttpAnswer, TlsPort
from hardenprobe.model import Identity, State, Word
from hardenprobe.testing import at, declared, seen_device, tcp_port

NAME = "one.devices.example"
LISTED = declared(DeclaredDevice(asset_tag="T", device_kind="printer", names=(NAME,)))


def https(header: str | None, status: int = 200) -> Any:
    facts = HttpAnswer(tls=True, path="/", status=status, strict_transport=header)
    return at(443, facts, protocol="https", path="/")


def tls(*names: str, trusted: bool = True) -> Any:
    return at(443, TlsPort(speaks=True, chains=(chain(trusted=trusted, names=names),)))


@pytest.mark.parametrize(
    ("header", "word", "says"),
    [
        ("max-age=31536000", Word.PASS, NAME),
        ('includeSubDomains; Max-Age = "86400"', Word.PASS, NAME),
        (None, Word.FAIL, "no Strict"),
        ("max-age=0", Word.FAIL, "switches it off"),
        ('max-age="0"; includeSubDomains', Word.FAIL, "switches it off"),
        ("includeSubDomains", Word.FAIL, "readable"),
        ("max-age=soon", Word.FAIL, "readable"),
        ("x-max-age=5", Word.FAIL, "readable"),
    ],
)
def test_header_under_a_trusted_name(header: str | None, word: Word, says: str) -> None:
    (outcome,) = CHECK.judge(seen_device(LISTED, https(header), tls(NAME)), NoSettings())
    assert outcome.word is word
    assert says in outcome.observed.text


@pytest.mark.parametrize(
    "observations",
    [
        pytest.param([LISTED, tls(NAME, trusted=False)], id="self-signed"),
        pytest.param([LISTED, tls("other.example")], id="another name"),
        pytest.param([tls(NAME)], id="no name in use is known"),
        pytest.param([LISTED], id="no certificate"),
    ],
)
def test_where_browsers_ignore_the_header_it_is_informational(observations: list[Any]) -> None:
    (outcome,) = CHECK.judge(seen_device(https(None), *observations), NoSettings())
    assert outcome.word is Word.INFORMATIONAL


def test_a_name_that_only_the_device_claims_makes_no_certificate_trusted() -> None:
    seen = seen_device(https(None), tls(NAME))
    claims = Identity(kind="name", value=NAME, source="snmp", strength="weak")
    seen.device = replace(seen.device, names=(NAME,), identity=(claims,))

    assert [o.word for o in CHECK.judge(seen, NoSettings())] == [Word.INFORMATIONAL]


def test_a_refusal_is_no_page_of_settings() -> None:
    (outcome,) = CHECK.judge(seen_device(LISTED, https(None, 403), tls(NAME)), NoSettings())
    assert outcome.word is Word.INFORMATIONAL


def test_trap_a_header_over_plain_http_counts_for_nothing() -> None:
    plain = at(80, HttpAnswer(tls=False, path="/", status=200, strict_transport="max-age=9"), protocol="http")
    seen = seen_device(LISTED, plain, https(None), tls(NAME))
    assert [o.word for o in CHECK.judge(seen, NoSettings())] == [Word.FAIL]
    assert [o.word for o in CHECK.judge(seen_device(LISTED, plain), NoSettings())] == [Word.NOTAPPLICABLE]


def test_silence_is_unknown() -> None:
    seen = seen_device(tcp_port(443, State.SILENT))
    assert [o.word for o in CHECK.judge(seen, NoSettings())] == [Word.UNKNOWN]


@given(st.text(max_size=80))
def test_no_header_makes_it_break(header: str) -> None:
    (outcome,) = CHECK.judge(seen_device(LISTED, https(header), tls(NAME)), NoSettings())
    assert outcome.word in (Word.PASS, Word.FAIL)
