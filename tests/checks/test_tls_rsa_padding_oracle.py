"""hardenprobe.checks.tls_rsa_padding_oracle"""

from __future__ import annotations

from support.tls import seen_tls, tls_port
from support.tls_branches import WITHOUT_TLS, each_finding

from hardenprobe.checking.check import DeviceView
from hardenprobe.checks.tls_rsa_padding_oracle import CHECK
from hardenprobe.facts import TlsFlaws

NONE = CHECK.settings()


@each_finding("padding_oracle")
def test_what_the_probe_found(facts: tuple[TlsFlaws, ...], word: str, reason: str | None) -> None:
    [outcome] = CHECK.judge(seen_tls(tls_port("TLS 1.2"), *facts), NONE)

    assert (str(outcome.word), outcome.reason) == (word, reason)
    assert outcome.proof


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, NONE)] == [word]
