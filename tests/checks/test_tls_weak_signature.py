"""hardenprobe.checks.tls_weak_signature"""

from __future__ import annotations

import pytest
from support.tls import chain, seen_tls, tls_port
from support.tls_branches import WITHOUT_TLS

from hardenprobe.checking.check import DeviceView
from hardenprobe.checks.tls_weak_signature import CHECK
from hardenprobe.facts import Chain

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


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, RULES)] == [word]
