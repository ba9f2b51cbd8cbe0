"""ipp-no-authentication: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checks.ipp_no_authentication import CHECK, Settings
from hardenprobe.facts import IppPrinter, PrinterUri
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, tcp_port


def printer(
    *, tls: bool = False, port: int = 631, http: int | None = 200, status: int | None = 0, **more: Any
) -> Any:
    facts = IppPrinter(
        tls=tls,
        path="/ipp/print",
        assigned=more.pop("assigned", port == 631),
        http_status=http,
        status=status,
        **more,
    )
    return at(port, facts, protocol="ipps" if tls else "ipp", path="/ipp/print")


def uri(text: str, security: str = "tls", authentication: str = "basic") -> PrinterUri:
    return PrinterUri(uri=text, security=security, authentication=authentication)


def nothing(**more: Any) -> Any:
    return printer(status=None, **more)


EXPECT = Settings(not_enough=("none", "requesting-user-name"))
OWN = "ipps://127.0.9.10/ipp/print"


@pytest.mark.parametrize(
    ("word_told", "word"),
    [
        ("none", Word.FAIL),
        ("requesting-user-name", Word.FAIL),
        ("basic", Word.PASS),
        ("digest", Word.PASS),
        ("certificate", Word.PASS),
        ("oauth", Word.PASS),
    ],
)
def test_word(word_told: str, word: Word) -> None:
    seen = seen_device(printer(tls=True, uris=(uri(OWN, authentication=word_told),)))
    (outcome,) = CHECK.judge(seen, EXPECT)
    assert (outcome.word, outcome.subject) == (word, "ipps /ipp/print")


def test_trap_an_address_that_is_told_twice_is_judged_both_ways() -> None:
    """RFC 8011 section 5.4.1: the three attributes are parallel, so that one address may stand in them more than once."""
    seen = seen_device(
        printer(tls=True, uris=(uri(OWN, authentication="basic"), uri(OWN, authentication="none")))
    )
    told = {(str(o.word), o.subject) for o in CHECK.judge(seen, EXPECT)}
    assert told == {("pass", "ipps /ipp/print"), ("fail", "ipps /ipp/print, tls, none")}


def test_trap_words_belong_to_the_address_at_their_position() -> None:
    other = uri("ipp://queue.example/q", "none", "none")
    seen = seen_device(
        printer(tls=True, uris=(other, uri(OWN), uri("ipp://127.0.9.10/ipp/print", "none", "none")))
    )
    assert [(o.subject, o.word) for o in CHECK.judge(seen, EXPECT)] == [
        ("ipps /ipp/print", Word.PASS),
        ("ipp /ipp/print", Word.FAIL),
    ]


def test_a_baseline_may_take_anything_for_enough() -> None:
    seen = seen_device(printer(uris=(uri(OWN, authentication="none"),)))
    assert [o.word for o in CHECK.judge(seen, Settings(not_enough=()))] == [Word.PASS]


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([printer(unpaired="2 and 1")], Word.UNKNOWN, Reason.INCONCLUSIVE, id="unpaired"),
        pytest.param([nothing(http=404, fault="HTTP 404")], Word.UNKNOWN, Reason.INCONCLUSIVE, id="404"),
        pytest.param([nothing(http=403, fault="HTTP 403")], Word.UNKNOWN, Reason.DROPPED, id="403"),
        pytest.param([nothing(http=None, fault="closed")], Word.UNKNOWN, Reason.DROPPED, id="closes"),
        pytest.param([printer(status=0x0403)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="refused"),
        pytest.param([nothing(port=80, http=404)], Word.NOTAPPLICABLE, None, id="a web server"),
        pytest.param([tcp_port(631)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="was not asked"),
        pytest.param([tcp_port(631, State.REFUSING)], Word.NOTAPPLICABLE, None, id="reset"),
        pytest.param([tcp_port(631, State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="silent"),
    ],
)
def test_without_attributes(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), EXPECT)
    assert (outcome.word, outcome.reason) == (word, reason)
