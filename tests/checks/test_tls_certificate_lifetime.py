"""hardenprobe.checks.tls_certificate_lifetime"""

from __future__ import annotations

import pytest
from support.tls import chain, seen_tls, tls_port

from hardenprobe.checks.tls_certificate_lifetime import CHECK
from hardenprobe.facts import TlsPort
from hardenprobe.model import State

LIMIT = CHECK.settings(max_days=398)


@pytest.mark.parametrize(
    ("not_after", "days", "word"),
    [
        ("2027-07-03T23:59:59Z", 398, "pass"),
        ("2027-07-04T00:00:00Z", 399, "fail"),
        ("2036-06-01T00:00:00Z", 3654, "fail"),
    ],
)
def test_one_second_more_is_one_day_more(not_after: str, days: int, word: str) -> None:
    port = tls_port("TLS 1.2", chains=(chain(not_before="2026-06-01T00:00:00Z", not_after=not_after),))
    [outcome] = CHECK.judge(seen_tls(port), LIMIT)

    assert (str(outcome.word), outcome.observed.value) == (word, days)


def test_a_self_signed_certificate_is_one_finding_of_tls_certificate_untrusted() -> None:
    own = chain(trusted=False, self_signed=True, not_after="2036-06-01T00:00:00Z")
    [outcome] = CHECK.judge(seen_tls(tls_port("TLS 1.2", chains=(own,))), LIMIT)
    assert str(outcome.word) == "informational"


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
    outcomes = list(CHECK.judge(seen_tls(*facts, ports=ports), LIMIT))

    assert [str(o.word) for o in outcomes] == [word]
