"""hardenprobe.checks.tls_weak_key"""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.tls import certificate, chain, seen_tls, tls_port
from support.tls_branches import WITHOUT_TLS

from hardenprobe.checking.check import DeviceView
from hardenprobe.checks.tls_weak_key import CHECK

RULES = CHECK.settings(rules="rules-tls-rfc9325")


@pytest.mark.parametrize(
    ("kind", "bits", "curve", "word", "vector"),
    [
        ("RSA", 2048, None, "pass", None),
        ("RSA", 2047, None, "fail", None),
        ("RSA", 1024, None, "fail", None),
        ("RSA", 512, None, "fail", "very short"),
        ("EC", 256, "secp256r1", "pass", None),
        ("EC", 192, "secp192r1", "fail", None),
        ("DSA", 1024, None, "fail", None),
        ("Ed25519", 256, None, "pass", None),
        ("1.2.643.7.1.1.1.1", None, None, "unknown", None),
    ],
)
def test_size_by_kind_of_key(
    kind: str, bits: int | None, curve: str | None, word: str, vector: str | None
) -> None:
    port = tls_port("TLS 1.2", chains=(chain(key_type=kind, key_bits=bits, curve=curve),))
    [outcome] = CHECK.judge(seen_tls(port), RULES)

    assert (str(outcome.word), outcome.vector or None) == (word, vector)


@pytest.mark.parametrize(
    ("issuer", "told"),
    [
        ({"key_bits": 4096}, [("pass", None)]),
        ({"key_bits": 1024}, [("pass", None), ("fail", "issuer 1")]),
        ({"key_bits": 1024, "subject": "CN=Elsewhere"}, [("pass", None)]),
        ({"key_type": "1.2.643.7.1.1.1.1", "key_bits": None}, [("pass", None), ("unknown", "issuer 1")]),
    ],
    ids=["sound", "short", "issued nothing", "of another kind"],
)
def test_an_issuer_that_is_served_counts(issuer: dict[str, object], told: list[object]) -> None:
    one = chain(issuer="CN=Office Issuing")
    served = (*one.certificates, certificate(**({"subject": "CN=Office Issuing"} | issuer)))
    seen = seen_tls(tls_port("TLS 1.2", chains=(replace(one, certificates=served),)))

    assert [(str(o.word), o.subject) for o in CHECK.judge(seen, RULES)] == told


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, RULES)] == [word]
