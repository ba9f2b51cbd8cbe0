"""http-cookie-flags: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.http_cookie_flags import CHECK
from hardenprobe.facts import Cookie, HttpAnswer, TlsPort
from hardenprobe.model import State, Word
from hardenprobe.probes.web.cookies import session_cookies, star_cookies
from hardenprobe.testing import at, seen_device, tcp_port


def page(*cookies: str) -> Any:
    facts = HttpAnswer(tls=True, path="/", status=200, cookies=session_cookies(cookies))
    return at(443, facts, protocol="https", path="/")


@pytest.mark.parametrize(
    ("cookies", "word", "value"),
    [
        (["sid=1; Secure; HttpOnly"], Word.PASS, ["sid"]),
        (["sid=1; secure; HTTPONLY; Path=/"], Word.PASS, ["sid"]),
        (["sid=1; Secure"], Word.FAIL, {"sid": ["HttpOnly"]}),
        (["sid=1; HttpOnly"], Word.FAIL, {"sid": ["Secure"]}),
        (["x=0123456789abcdef0123"], Word.FAIL, {"x": ["Secure", "HttpOnly"]}),
        (["sid=1; Secure; HttpOnly", "auth=2"], Word.FAIL, {"auth": ["Secure", "HttpOnly"]}),
        (["sid=Secure; Comment=HttpOnly"], Word.FAIL, {"sid": ["Secure", "HttpOnly"]}),
    ],
)
def test_session_cookie(cookies: list[str], word: Word, value: Any) -> None:
    (outcome,) = CHECK.judge(seen_device(page(*cookies)), NoSettings())
    assert (outcome.word, outcome.observed.value) == (word, value)


@pytest.mark.parametrize(
    "cookie", ["lang=en; Path=/", "XSRF-TOKEN=0123456789abcdef0123; Secure", "=1", "sid"]
)
def test_trap_what_is_no_session_is_not_judged(cookie: str) -> None:
    assert [o.word for o in CHECK.judge(seen_device(page(cookie)), NoSettings())] == [Word.NOTAPPLICABLE]


def test_without_http() -> None:
    for state, word in ((State.REFUSING, Word.NOTAPPLICABLE), (State.SILENT, Word.UNKNOWN)):
        assert [o.word for o in CHECK.judge(seen_device(tcp_port(443, state)), NoSettings())] == [word]


@pytest.mark.parametrize("fault", ["silent", "closed", "not HTTP: 220 ready"])
def test_a_port_that_was_asked_and_sent_no_http_is_not_determined(fault: str) -> None:
    tls = at(443, TlsPort(speaks=True), protocol="tls")
    asked = at(443, HttpAnswer(tls=True, path="/", status=None, fault=fault), protocol="https", path="/")
    assert [o.word for o in CHECK.judge(seen_device(tcp_port(443), tls, asked), NoSettings())] == [
        Word.UNKNOWN
    ]


def test_values_are_starred_and_never_kept() -> None:
    head = (
        b"HTTP/1.1 200 OK\r\nSet-Cookie: sid=secret; Secure\r\nset-cookie:a=b=c\r\n\r\nSet-Cookie is a header"
    )
    starred = star_cookies(head)
    assert len(starred) == len(head)
    assert b"secret" not in starred and b"sid=******; Secure" in starred and b"a=***\r" in starred
    assert starred.endswith(b"Set-Cookie is a header")
    assert session_cookies(["sid=secret; Secure"]) == (Cookie(name="sid", secure=True, http_only=False),)


@pytest.mark.parametrize(
    "header",
    [
        "SID=; Expires=Sun, 06 Nov 1994 08:49:37 GMT",  # RFC 6265 section 3.1: how a server removes a cookie
        "SID=deleted; path=/; expires=Thu, 01-Jan-1970 00:00:01 GMT",
        "SID=x; Max-Age=0",
        "SID=x; Max-Age=-1; Expires=Sun, 06 Nov 2044 08:49:37 GMT",
    ],
)
def test_a_cookie_that_is_taken_back_is_no_session(header: str) -> None:
    assert session_cookies([header]) == ()


@pytest.mark.parametrize(
    "header",
    [
        "SID=x; Expires=Sun, 06 Nov 2044 08:49:37 GMT",
        "SID=x; Max-Age=600; Expires=Sun, 06 Nov 1994 08:49:37 GMT",  # section 4.1.2.2: Max-Age goes before
        "SID=x; Max-Age=soon",
        "SID=x; Expires=never",
    ],
)
def test_a_cookie_that_lasts_is_judged(header: str) -> None:
    assert session_cookies([header]) == (Cookie(name="SID", secure=False, http_only=False),)
