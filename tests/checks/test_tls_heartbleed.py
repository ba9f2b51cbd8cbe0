"""hardenprobe.checks.tls_heartbleed"""

from __future__ import annotations

import pytest
from support.tls import seen_tls, tls_port

from hardenprobe.checks.tls_heartbleed import CHECK
from hardenprobe.facts import TlsFlaws, TlsPort
from hardenprobe.model import State

NONE = CHECK.settings()


@pytest.mark.parametrize(
    ("facts", "word", "reason"),
    [
        ((TlsFlaws(heartbleed="vulnerable"),), "fail", None),
        ((TlsFlaws(heartbleed="sound"),), "pass", None),
        ((TlsFlaws(heartbleed="unknown", unknown_why="ceiling"),), "unknown", "ceiling"),
        ((TlsFlaws(unknown_why="crashed"),), "unknown", "crashed"),
        ((TlsFlaws(heartbleed="sound", second={"heartbleed": "vulnerable"}),), "error", "inconclusive"),
        ((TlsFlaws(heartbleed="vulnerable", second={"heartbleed": "sound"}),), "error", "inconclusive"),
        ((TlsFlaws(heartbleed="sound", second={"heartbleed": "unknown"}),), "pass", None),
        ((), "unknown", "reach"),
    ],
)
def test_what_the_probe_found(facts: tuple[TlsFlaws, ...], word: str, reason: str | None) -> None:
    [outcome] = CHECK.judge(seen_tls(tls_port("TLS 1.2"), *facts), NONE)

    assert (str(outcome.word), outcome.reason) == (word, reason)
    assert outcome.proof


@pytest.mark.parametrize(
    ("facts", "state", "word"),
    [
        ((), State.REFUSING, "notapplicable"),
        ((), State.SILENT, "unknown"),
        ((TlsPort(speaks=False, fault="closed"),), State.ACCEPTING, "unknown"),
    ],
)
def test_without_tls_nothing_passes(facts: tuple[TlsPort, ...], state: State, word: str) -> None:
    [outcome] = CHECK.judge(seen_tls(*facts, ports={443: state}), NONE)

    assert str(outcome.word) == word
