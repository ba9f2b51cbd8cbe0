"""hardenprobe.checks.tls_compression"""

from __future__ import annotations

import pytest
from support.tls import seen_tls, tls_port

from hardenprobe.checks.tls_compression import CHECK
from hardenprobe.facts import TlsPort
from hardenprobe.model import State

NONE = CHECK.settings()


@pytest.mark.parametrize(
    ("accepted", "compression", "unknown", "word"),
    [
        (("TLS 1.2",), {"TLS 1.2": False}, {}, "pass"),
        (("TLS 1.2", "TLS 1.0"), {"TLS 1.2": False, "TLS 1.0": True}, {}, "fail"),
        (("TLS 1.2",), {"TLS 1.2": False}, {"TLS 1.0": "ceiling"}, "unknown"),
        (("TLS 1.2",), {"TLS 1.2": False}, {"SSL 2.0": "silent"}, "pass"),
        (("TLS 1.3",), {}, {}, "pass"),
    ],
)
def test_compression_where_it_was_offered(
    accepted: tuple[str, ...], compression: dict[str, bool], unknown: dict[str, str], word: str
) -> None:
    seen = seen_tls(tls_port(*accepted, unknown=unknown, compression=compression))
    [outcome] = CHECK.judge(seen, NONE)

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
