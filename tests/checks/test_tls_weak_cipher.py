"""hardenprobe.checks.tls_weak_cipher"""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.tls import seen_tls, tls_port, tls_suites
from support.tls_branches import WITHOUT_TLS

from hardenprobe.checking.check import DeviceView
from hardenprobe.checks.tls_weak_cipher import CHECK
from hardenprobe.facts import TlsSecondOpinion
from hardenprobe.standards.ccss import score

STRICT = CHECK.settings(rules="rules-tls-rfc9325", fail_on="should-not")
LAX = CHECK.settings(rules="rules-tls-rfc9325", fail_on="must-not")
NIST = CHECK.settings(rules="rules-tls-sp800-52r2", fail_on="should-not")
GCM = "TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256"
CBC = "TLS_ECDHE_RSA_WITH_AES_128_CBC_SHA"


def found(
    settings: object, *suites: str, version: str = "TLS 1.2", **changes: object
) -> list[tuple[str, str | None, str | None]]:
    seen = seen_tls(tls_port(version), tls_suites({version: suites}, **changes))
    return [(str(o.word), o.subject, o.vector) for o in CHECK.judge(seen, settings)]


@pytest.mark.parametrize(
    ("suite", "subject", "vector"),
    [
        ("TLS_RSA_WITH_NULL_SHA256", "NULL encryption", "none"),
        ("TLS_ECDH_anon_WITH_AES_256_CBC_SHA", "anonymous key exchange", "none"),
        ("TLS_RSA_EXPORT_WITH_DES40_CBC_SHA", "export key length", "none"),
        ("TLS_ECDHE_RSA_WITH_RC4_128_SHA", "RC4", "weak"),
        ("TLS_DHE_RSA_WITH_DES_CBC_SHA", "DES or RC2", "weak"),
        ("TLS_RSA_WITH_3DES_EDE_CBC_SHA", "3DES", "weak"),
        ("SSL_CK_DES_192_EDE3_CBC_WITH_MD5", "MD5", "weak"),
        ("TLS_DHE_RSA_WITH_AES_256_GCM_SHA384", "finite-field DHE in TLS 1.2 and below", "dated"),
        (CBC, "CBC without encrypt_then_mac", "dated"),
    ],
)
def test_each_weakness_is_a_subject(suite: str, subject: str, vector: str) -> None:
    assert found(STRICT, GCM, suite) == [("fail", subject, vector)]


def test_good_suites_pass_and_unrated_ones_are_told_apart() -> None:
    assert found(STRICT, GCM) == [("pass", None, None)]
    assert found(STRICT, GCM, "TLS_ECDHE_RSA_WITH_ARIA_128_GCM_SHA256") == [
        ("informational", "unrated", None),
        ("pass", None, None),
    ]


def test_cbc_with_encrypt_then_mac_is_let_through() -> None:
    assert found(STRICT, CBC, encrypt_then_mac={"TLS 1.2": {CBC: True}}) == [("pass", None, None)]
    assert found(STRICT, CBC, encrypt_then_mac={"TLS 1.2": {CBC: False}})[0][0] == "fail"


def test_what_is_merely_advised_against_fails_only_if_the_baseline_says_so() -> None:
    assert found(LAX, CBC)[0][0] == "informational"
    assert found(LAX, "TLS_RSA_WITH_RC4_128_SHA")[0][0] == "fail"


@pytest.mark.parametrize("suite", ["TLS_RSA_WITH_3DES_EDE_CBC_SHA", "SSL_CK_DES_192_EDE3_CBC_WITH_SHA"])
def test_below_128_bits_fails_whatever_the_rule_set_calls_it(suite: str) -> None:
    """RFC 9325 section 4.1: less than 128 bits SHOULD NOT be negotiated, three-key 3DES among it with 112."""
    assert found(LAX, GCM, suite) == [("fail", "3DES", "weak")]
    told = replace(LAX, smallest_bits=112)
    assert found(told, GCM, suite)[0][:2] == ("informational", "3DES")


def test_what_an_attacker_can_read_weighs_more_than_what_is_merely_forbidden() -> None:
    """3DES leaks what is sent often enough (CVE-2016-2183); DHE with 2048 bits and GCM has no such attack."""
    worst = {kind: score(vector).base for kind, vector in CHECK.vectors.items()}

    assert worst["none"] > worst["weak"] > worst["dated"]


def test_a_pass_does_not_call_suites_sound_that_are_advised_against() -> None:
    [*_, last] = CHECK.judge(seen_tls(tls_port("TLS 1.2"), tls_suites({"TLS 1.2": (CBC,)})), LAX)

    assert (str(last.word), "none of them weak" in last.observed.text) == ("pass", False)


def test_rule_sets_disagree_and_the_result_says_whose_rule_it_is() -> None:
    dhe = "TLS_DHE_RSA_WITH_AES_256_GCM_SHA384"
    seen = seen_tls(tls_port("TLS 1.2"), tls_suites({"TLS 1.2": (dhe,)}))
    [rfc] = CHECK.judge(seen, STRICT)
    [nist] = CHECK.judge(seen, NIST)

    assert (str(rfc.word), str(nist.word)) == ("fail", "pass")
    assert rfc.rule_set and nist.rule_set
    assert (rfc.rule_set.date, nist.rule_set.date) == ("2026-07", "2019-08")
    assert found(NIST, "TLS_CHACHA20_POLY1305_SHA256", version="TLS 1.3")[0][0] == "fail"


def test_a_walk_that_was_cut_never_passes() -> None:
    assert found(STRICT, GCM, unknown_why={"TLS 1.2": "ceiling"}) == [("unknown", None, None)]
    seen = seen_tls(tls_port("TLS 1.2", unknown={"TLS 1.0": "silent"}), tls_suites({"TLS 1.2": (GCM,)}))

    assert [str(o.word) for o in CHECK.judge(seen, STRICT)] == ["unknown"]
    assert [str(o.word) for o in CHECK.judge(seen_tls(tls_port("TLS 1.2")), STRICT)] == ["unknown"]


@pytest.mark.parametrize(
    ("theirs", "asked", "words"),
    [
        ((GCM,), (GCM, CBC), ["pass"]),
        ((), (GCM, CBC), ["error", "pass"]),
        ((GCM, CBC), (GCM, CBC), ["error", "pass"]),
        ((), (CBC,), ["pass"]),
    ],
    ids=["agree", "only ours", "only theirs", "a suite that the other cannot ask for"],
)
def test_a_second_opinion_that_differs_is_an_error(
    theirs: tuple[str, ...], asked: tuple[str, ...], words: list[str]
) -> None:
    second = TlsSecondOpinion(suites={"TLS 1.2": theirs}, asked={"TLS 1.2": asked})
    seen = seen_tls(tls_port("TLS 1.2"), tls_suites({"TLS 1.2": (GCM,)}), second)

    assert [str(o.word) for o in CHECK.judge(seen, STRICT)] == words


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, STRICT)] == [word]
