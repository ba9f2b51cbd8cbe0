"""hardenprobe.checks.tls_weak_parameters"""

from __future__ import annotations

import pytest
from support.tls import seen_tls, tls_port, tls_suites
from support.tls_branches import WITHOUT_TLS

from hardenprobe.checking.check import DeviceView
from hardenprobe.checks.tls_weak_parameters import CHECK

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


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, RULES)] == [word]
