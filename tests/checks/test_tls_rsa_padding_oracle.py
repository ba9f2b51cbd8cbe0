"""hardenprobe.checks.tls_rsa_padding_oracle"""

from __future__ import annotations

import pytest
from support.tls import seen_tls, tls_port

from hardenprobe.checks.tls_rsa_padding_oracle import CHECK
from hardenprobe.facts import TlsFlaws, TlsPort
from hardenprobe.model import State

NONE = CHECK.settings()


@pytest.mark.parametrize(
    ("facts", "word", "reason"),
    [
        ((TlsFlaws(padding_oracle="vulnerable"),), "fail", None),
        ((TlsFlaws(padding_oracle="sound"),), "pass", None),
        ((TlsFlaws(padding_oracle="unknown", unknown_why="ceiling"),), "unknown", "ceiling"),
        ((TlsFlaws(unknown_why="crashed"),), "unknown", "crashed"),
        (
            (TlsFlaws(padding_oracle="sound", second={"padding_oracle": "vulnerable"}),),
            "error",
            "inconclusive",
        ),
        (
            (TlsFlaws(padding_oracle="vulnerable", second={"padding_oracle": "sound"}),),
            "error",
            "inconclusive",
        ),
        ((TlsFlaws(padding_oracle="sound", second={"padding_oracle": "unknown"}),), "pass", None),
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
