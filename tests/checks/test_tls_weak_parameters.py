"""hardenprobe.checks.tls_weak_parameters"""

from __future__ import annotations

import pytest
from support.tls import seen_tls, tls_port, tls_suites

from hardenprobe.checks.tls_weak_parameters import CHECK
from hardenprobe.facts import TlsPort
from hardenprobe.model import State

RULES = CHECK.settings(rules="rules-tls-rfc9325")
ECDHE = ("TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256",)


@pytest.mark.parametrize(
    ("changes", "word", "subject", "vector"),
    [
        (
            {"dh_bits": {"TLS 1.2": {"TLS_DHE_RSA_WITH_AES_128_CBC_SHA": 1024}}},
            "fail",
            "finite-field group",
            None,
        ),
        (
            {"dh_bits": {"TLS 1.0": {"TLS_DHE_RSA_EXPORT_WITH_DES40_CBC_SHA": 512}}},
            "fail",
            "finite-field group",
            "export",
        ),
        ({"dh_bits": {"TLS 1.2": {"TLS_DHE_RSA_WITH_AES_128_CBC_SHA": 2048}}}, "pass", None, None),
        (
            {"rsa_export_bits": {"TLS 1.0": {"TLS_RSA_EXPORT_WITH_RC4_40_MD5": 512}}},
            "fail",
            "temporary RSA key",
            "export",
        ),
        ({"groups": {"TLS 1.2": {"secp192r1": 192}}}, "fail", "curve", None),
        ({"groups": {"TLS 1.2": {"secp224r1": 224, "explicit curve": 0}}}, "pass", None, None),
        ({"small_curves_asked": {"TLS 1.2": False}}, "unknown", None, None),
        ({"unknown_why": {"TLS 1.2": "silent"}}, "unknown", None, None),
    ],
)
def test_sizes_of_groups_and_curves(
    changes: dict[str, dict[str, object]], word: str, subject: str | None, vector: str | None
) -> None:
    seen = seen_tls(tls_port("TLS 1.2"), tls_suites({"TLS 1.2": ECDHE}, **changes))
    [outcome] = CHECK.judge(seen, RULES)

    assert (str(outcome.word), outcome.subject, outcome.vector or None) == (word, subject, vector)


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
