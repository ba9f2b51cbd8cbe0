"""hardenprobe.checks.tls_weak_signature"""

from __future__ import annotations

import pytest
from support.tls import chain, seen_tls, tls_port

from hardenprobe.checks.tls_weak_signature import CHECK
from hardenprobe.facts import Chain, TlsPort
from hardenprobe.model import State

RULES = CHECK.settings(rules="rules-tls-rfc9325")


@pytest.mark.parametrize(
    ("made", "word", "vector"),
    [
        (chain(hashes=("sha256", "sha384")), "pass", None),
        (chain(hashes=("sha256", "sha1")), "fail", None),
        (chain(hashes=("md5",)), "fail", "md"),
        (chain(trusted=False, signature_hash="sha1"), "fail", None),
        (chain(trusted=False, signature_hash="sha1", self_signed=True), "pass", None),
        (chain(trusted=False, signature_hash=None), "pass", None),
    ],
)
def test_only_signatures_that_somebody_relies_on_count(made: Chain, word: str, vector: str | None) -> None:
    [outcome] = CHECK.judge(seen_tls(tls_port("TLS 1.2", chains=(made,))), RULES)

    assert (str(outcome.word), outcome.vector or None) == (word, vector)


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
    outcomes = list(CHECK.judge(seen_tls(*facts, ports=ports), RULES))

    assert [str(o.word) for o in outcomes] == [word]
