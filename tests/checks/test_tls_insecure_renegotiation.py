"""hardenprobe.checks.tls_insecure_renegotiation"""

from __future__ import annotations

import pytest
from support.tls import seen_tls, tls_port

from hardenprobe.checks.tls_insecure_renegotiation import CHECK
from hardenprobe.facts import TlsPort
from hardenprobe.model import State

NONE = CHECK.settings()


@pytest.mark.parametrize(
    ("accepted", "secure", "unknown", "word"),
    [
        (("TLS 1.2",), {"TLS 1.2": True}, {}, "pass"),
        (("TLS 1.2", "SSL 3.0"), {"TLS 1.2": True, "SSL 3.0": False}, {}, "fail"),
        (("TLS 1.2",), {"TLS 1.2": True}, {"TLS 1.1": "ceiling"}, "unknown"),
        (("TLS 1.3",), {}, {}, "pass"),
    ],
)
def test_every_version_below_thirteen_must_answer(
    accepted: tuple[str, ...], secure: dict[str, bool], unknown: dict[str, str], word: str
) -> None:
    seen = seen_tls(tls_port(*accepted, unknown=unknown, secure_renegotiation=secure))
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
