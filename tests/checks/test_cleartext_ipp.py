"""cleartext-ipp: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.cleartext_ipp import CHECK
from hardenprobe.facts import IppPrinter, PrinterUri, TlsPort
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


TLS = at(631, TlsPort(speaks=True), protocol="tls")


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([printer()], Word.FAIL, None, id="attributes"),
        pytest.param([printer(port=80)], Word.FAIL, None, id="attributes on a web port"),
        pytest.param([printer(status=0x0403)], Word.FAIL, None, id="not authorized"),
        pytest.param([printer(status=0x0400)], Word.FAIL, None, id="bad request"),
        pytest.param([printer(http=500, status=0x0500)], Word.FAIL, None, id="IPP in an HTTP error"),
        pytest.param([nothing(http=426)], Word.PASS, None, id="426"),
        pytest.param([nothing(http=403)], Word.PASS, None, id="403"),
        pytest.param([nothing(http=301, location="https://x/")], Word.PASS, None, id="redirect to https"),
        pytest.param([nothing(http=301, location="http://x/")], Word.UNKNOWN, Reason.INCONCLUSIVE, id="redirect"),
        pytest.param([nothing(http=401)], Word.FAIL, None, id="401"),
        pytest.param([nothing(port=80, http=401)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="401 on a web port"),
        pytest.param([nothing(http=404)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="trap: 404 on every path"),
        pytest.param([TLS, nothing(http=None, fault="closed")], Word.PASS, None, id="TLS only"),
        pytest.param([TLS, nothing(http=None, fault="not HTTP: alert")], Word.PASS, None, id="TLS only, an alert"),
        pytest.param([TLS, nothing(http=400)], Word.PASS, None, id="TLS only, told in HTTP"),
        pytest.param([TLS, nothing(http=None, fault="silent")], Word.UNKNOWN, Reason.SILENT, id="TLS, then silent"),
        pytest.param([nothing(http=None, fault="closed")], Word.UNKNOWN, Reason.DROPPED, id="closes"),
        pytest.param([nothing(port=80, http=404), tcp_port(631, State.REFUSING)], Word.PASS, None,
                     id="a web server that has no IPP"),
        pytest.param([tcp_port(631)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="was not asked"),
        pytest.param([tcp_port(631, closed=True)], Word.UNKNOWN, Reason.DROPPED, id="closes at once"),
        pytest.param([tcp_port(631, State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="silent"),
        pytest.param([tcp_port(631, State.REFUSING)], Word.PASS, None, id="reset"),
    ],
)  # fmt: skip
def test_in_clear(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    outcomes = [o for o in CHECK.judge(seen_device(*observations), NoSettings()) if o.subject is None]
    assert [(o.word, o.reason) for o in outcomes] == [(word, reason)]


OWN = "://127.0.9.10/ipp/print"


@pytest.mark.parametrize(
    ("uris", "word"),
    [
        pytest.param([uri("ipps" + OWN)], Word.PASS, id="tls"),
        pytest.param([uri("ipps" + OWN), uri("ipp" + OWN, "none")], Word.FAIL, id="both"),
        pytest.param([uri("ipp://queue.example/ipp/print", "none")], Word.FAIL, id="the path that was asked"),
        pytest.param(
            [uri("ipps" + OWN), uri("ipp://queue.example/q", "none")], Word.PASS, id="trap: another host's"
        ),
        pytest.param([uri("ipp://queue.example/q", "none")], Word.UNKNOWN, id="only another host's"),
        pytest.param([uri("ipp://[/", "none")], Word.UNKNOWN, id="unreadable"),
        pytest.param([], Word.UNKNOWN, id="unpaired"),
    ],
)
def test_advertised(uris: list[PrinterUri], word: Word) -> None:
    seen = seen_device(TLS, printer(tls=True, uris=tuple(uris)), nothing(http=None, fault="closed"))
    (outcome,) = (o for o in CHECK.judge(seen, NoSettings()) if o.subject == "advertised")
    assert outcome.word is word


def test_a_service_that_does_both_is_judged_once_for_each_subject() -> None:
    both = (uri("ipp" + OWN, "none"), uri("ipps" + OWN))
    seen = seen_device(TLS, printer(tls=True, uris=both), printer(uris=both))
    found = [(o.subject, o.word, o.vector) for o in CHECK.judge(seen, NoSettings())]
    assert found == [(None, Word.FAIL, None), ("advertised", Word.FAIL, "advertised")]
