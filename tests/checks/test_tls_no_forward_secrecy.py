"""hardenprobe.checks.tls_no_forward_secrecy"""

from __future__ import annotations

import pytest
from support.tls import seen_tls, tls_port, tls_suites
from support.tls_branches import WITHOUT_TLS

from hardenprobe.checking.check import DeviceView
from hardenprobe.checks.tls_no_forward_secrecy import CHECK

RULES = CHECK.settings(rules="rules-tls-rfc9325")
NIST = CHECK.settings(rules="rules-tls-sp800-52r2")


@pytest.mark.parametrize(
    ("suite", "version", "word", "subject"),
    [
        ("TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256", "TLS 1.2", "pass", None),
        ("TLS_DHE_RSA_WITH_AES_128_GCM_SHA256", "TLS 1.2", "pass", None),
        ("TLS_AES_128_GCM_SHA256", "TLS 1.3", "pass", None),
        ("TLS_RSA_WITH_AES_128_GCM_SHA256", "TLS 1.2", "fail", "static RSA"),
        ("TLS_DH_RSA_WITH_AES_128_GCM_SHA256", "TLS 1.2", "fail", "static DH"),
        ("TLS_ECDH_RSA_WITH_AES_128_GCM_SHA256", "TLS 1.2", "fail", "static ECDH"),
        ("TLS_PSK_WITH_AES_128_CCM", "TLS 1.2", "fail", "no ephemeral exchange"),
        ("SSL_CK_RC4_128_WITH_MD5", "SSL 2.0", "fail", "static RSA"),
    ],
)
def test_key_exchange_by_name(suite: str, version: str, word: str, subject: str | None) -> None:
    seen = seen_tls(tls_port(version), tls_suites({version: (suite,)}))
    [outcome] = CHECK.judge(seen, RULES)

    assert (str(outcome.word), outcome.subject) == (word, subject)


def test_what_a_rule_set_lists_is_told_and_does_not_fail() -> None:
    seen = seen_tls(tls_port("TLS 1.2"), tls_suites({"TLS 1.2": ("TLS_DH_RSA_WITH_AES_128_GCM_SHA256",)}))

    assert [str(o.word) for o in CHECK.judge(seen, NIST)] == ["informational", "pass"]


def test_a_walk_that_was_cut_never_passes() -> None:
    walk = tls_suites(
        {"TLS 1.2": ("TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256",)}, unknown_why={"TLS 1.2": "ceiling"}
    )

    assert [str(o.word) for o in CHECK.judge(seen_tls(tls_port("TLS 1.2"), walk), RULES)] == ["unknown"]


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, RULES)] == [word]
