"""hardenprobe.checks.tls_name_mismatch"""

from __future__ import annotations

import pytest
from support.tls import chain, seen_tls, tls_port

from hardenprobe.checks.tls_name_mismatch import CHECK
from hardenprobe.facts import TlsPort
from hardenprobe.model import State

NONE = CHECK.settings()


@pytest.mark.parametrize(
    ("names", "used", "word"),
    [
        (("printer-1.office.test",), ("printer-1.office.test",), "pass"),
        (("PRINTER-1.office.test.",), ("printer-1.Office.Test",), "pass"),
        (("*.office.test",), ("printer-1.office.test",), "pass"),
        (("*.office.test",), ("a.printer-1.office.test",), "fail"),
        (("*.test",), ("printer-1.test",), "fail"),
        (("pr*.office.test",), ("printer-1.office.test",), "fail"),
        (("192.0.2.7",), ("192.0.2.7",), "pass"),
        (("2001:DB8::7",), ("2001:db8:0::7",), "pass"),
        ((), ("printer-1.office.test",), "fail"),
        (("other.test",), (), "informational"),
    ],
)
def test_names_by_rfc_9525(names: tuple[str, ...], used: tuple[str, ...], word: str) -> None:
    port = tls_port("TLS 1.2", chains=(chain(names=names, subject="CN=printer-1.office.test"),))
    [outcome] = CHECK.judge(seen_tls(port, names=used), NONE)

    assert str(outcome.word) == word


@pytest.mark.parametrize(
    ("facts", "ports", "word"),
    [
        ((), {443: State.REFUSING}, "notapplicable"),
        ((), {443: State.SILENT}, "unknown"),
        ((TlsPort(speaks=False, fault="closed"),), {443: State.ACCEPTING}, "unknown"),
        ((TlsPort(speaks=False, fault="silent"),), {443: State.ACCEPTING}, "unknown"),
        (
            (TlsPort(speaks=False, fault="not TLS", answer="HTTP/1.1 400"),),
            {443: State.ACCEPTING},
            "notapplicable",
        ),
    ],
    ids=["refused", "silent", "closes at a hello", "silent to a hello", "something else"],
)
def test_without_tls_nothing_passes(facts: tuple[TlsPort, ...], ports: dict[int, State], word: str) -> None:
    outcomes = list(CHECK.judge(seen_tls(*facts, ports=ports), NONE))

    assert [str(o.word) for o in outcomes] == [word]
