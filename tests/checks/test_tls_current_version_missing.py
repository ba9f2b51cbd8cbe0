"""hardenprobe.checks.tls_current_version_missing"""

from __future__ import annotations

import pytest
from support.tls import seen_tls, tls_port

from hardenprobe.checks.tls_current_version_missing import CHECK
from hardenprobe.facts import TlsPort
from hardenprobe.model import State

MINIMUM = CHECK.settings(minimum="TLS 1.2")


@pytest.mark.parametrize(
    ("minimum", "accepted", "unknown", "word", "reason"),
    [
        ("TLS 1.2", ("TLS 1.2",), {}, "pass", None),
        ("TLS 1.2", ("TLS 1.3",), {}, "pass", None),
        ("TLS 1.3", ("TLS 1.2",), {}, "fail", None),
        ("TLS 1.2", ("TLS 1.0",), {}, "fail", None),
        ("TLS 1.2", ("TLS 1.0",), {"TLS 1.2": "ceiling"}, "unknown", "ceiling"),
        ("TLS 1.2", ("TLS 1.3",), {"TLS 1.2": "ceiling"}, "pass", None),
        ("TLS 1.2", (), {}, "fail", None),
    ],
)
def test_one_version_that_will_do_is_enough(
    minimum: str, accepted: tuple[str, ...], unknown: dict[str, str], word: str, reason: str | None
) -> None:
    seen = seen_tls(tls_port(*accepted, unknown=unknown))
    [outcome] = CHECK.judge(seen, CHECK.settings(minimum=minimum))

    assert (str(outcome.word), outcome.reason) == (word, reason)


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
    outcomes = list(CHECK.judge(seen_tls(*facts, ports=ports), MINIMUM))

    assert [str(o.word) for o in outcomes] == [word]
