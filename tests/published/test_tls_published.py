"""Values printed in standards about TLS."""

from __future__ import annotations

import pytest

from hardenprobe.probes.tls.suites import GROUPS, suites
from hardenprobe.probes.tls.tls13 import server_keys
from hardenprobe.standards.tls_rules import load


def test_rfc_8448_section_3_server_handshake_keys() -> None:
    """RFC 8448 section 3, "Simple 1-RTT Handshake": shared secret, transcript digest, server's write key and IV."""
    key, iv = server_keys(
        "sha256",
        16,
        bytes.fromhex("8bd4054fb55b9d63fdfbacf9f04b9f0d35e6d63f537563efd46272900f89492d"),
        bytes.fromhex("860c06edc07858ee8e78f0e7428c58edd6b43f2ca3e6e95f02ed063cf0e1cad8"),
    )

    assert key.hex() == "3fce516009c21727d0f2e4e86ee403bc"
    assert iv.hex() == "5d313eb2671276ee13000b30"


@pytest.mark.parametrize(
    ("code", "name"),
    [
        (0xC02F, "TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256"),  # RFC 9325 section 4.2
        (0xC030, "TLS_ECDHE_RSA_WITH_AES_256_GCM_SHA384"),
        (0xC02B, "TLS_ECDHE_ECDSA_WITH_AES_128_GCM_SHA256"),
        (0xC02C, "TLS_ECDHE_ECDSA_WITH_AES_256_GCM_SHA384"),
    ],
)
def test_rfc_9325_recommends(code: int, name: str) -> None:
    rule = load("rules-tls-rfc9325").cipher(name)

    assert suites()[code] == name
    assert rule is not None and rule.say == "recommended"


# SP 800-52 Rev. 2 sections 3.3.1.1.1 to 3.3.1.2, from two transcripts that agree; code points from the IANA registry.
LISTED = (
    *(0xC02B, 0xC02C, 0xC0AC, 0xC0AD, 0xC0AE, 0xC0AF, 0xC023, 0xC024, 0xC009, 0xC00A),
    *(0xC02F, 0xC030, 0x009E, 0x009F, 0xC09E, 0xC09F, 0xC0A2, 0xC0A3, 0xC027, 0xC028, 0x0067, 0x006B),
    *(0xC013, 0xC014, 0x0033, 0x0039, 0x00A2, 0x00A3, 0x0040, 0x006A, 0x0032, 0x0038),
    *(0x00A4, 0x00A5, 0x003E, 0x0068, 0x0030, 0x0036, 0x00A0, 0x00A1, 0x003F, 0x0069, 0x0031, 0x0037),
    *(0xC02D, 0xC02E, 0xC025, 0xC026, 0xC004, 0xC005, 0xC031, 0xC032, 0xC029, 0xC02A, 0xC00E, 0xC00F),
    *(0x1301, 0x1302, 0x1304, 0x1305),
)


def test_sp_800_52_lists() -> None:
    rules = load("rules-tls-sp800-52r2")
    for code, name in suites().items():
        rule = rules.cipher(name)
        allowed = rule is not None and not rule.discouraged and rule.say in ("may", "recommended")
        assert allowed == (code in LISTED), name
    chacha = rules.cipher(suites()[0x1303])
    assert chacha is not None and chacha.say == "must-not"


@pytest.mark.parametrize(
    ("suite", "say", "clause"),
    [
        ("TLS_RSA_WITH_NULL_SHA", "must-not", "RFC 9325 section 4.1"),
        ("TLS_RSA_WITH_RC4_128_SHA", "must-not", "RFC 7465"),
        ("TLS_RSA_EXPORT_WITH_RC4_40_MD5", "must-not", "RFC 9325 section 4.1"),
        ("TLS_RSA_WITH_3DES_EDE_CBC_SHA", "should-not", "RFC 9325 section 4.1"),
        ("TLS_DHE_RSA_WITH_AES_128_GCM_SHA256", "must-not", "RFC 10015 section 3"),
        ("TLS_ECDHE_RSA_WITH_AES_128_CBC_SHA256", "should-not", "RFC 9325 section 4.2"),
    ],
)
def test_rfc_9325_and_10015_forbid(suite: str, say: str, clause: str) -> None:
    rule = load("rules-tls-rfc9325").cipher(suite)

    assert rule is not None and rule.say == say
    assert clause in rule.source


@pytest.mark.parametrize(
    ("suite", "say"),
    [
        ("TLS_RSA_WITH_AES_128_GCM_SHA256", "must-not"),  # RFC 10015 section 4
        ("TLS_DH_RSA_WITH_AES_128_GCM_SHA256", "must-not"),  # RFC 10015 section 2
        ("TLS_ECDH_RSA_WITH_AES_128_GCM_SHA256", "should-not"),  # RFC 10015 section 2
    ],
)
def test_rfc_10015_on_key_exchanges(suite: str, say: str) -> None:
    rule = load("rules-tls-rfc9325").key_exchange(suite)

    assert rule is not None and (rule.say, rule.ephemeral) == (say, False)


@pytest.mark.parametrize("name", ["rules-tls-rfc9325", "rules-tls-sp800-52r2"])
def test_sizes_are_112_bits_of_strength(name: str) -> None:
    """SP 800-57 Part 1 Rev. 5 section 5.6.1.1 table 2: 112 bits is RSA 2048, FFC 2048, ECC 224."""
    sizes = load(name).sizes

    assert (sizes.rsa.bits, sizes.finite_field.bits, sizes.curve.bits) == (2048, 2048, 224)
    weak = {code for code, (_, bits) in GROUPS.items() if bits < 224}
    assert weak == {1, 2, 3, 4, 5, 15, 16, 17, 18, 19}


def test_every_suite_has_a_key_exchange_rule_and_every_rule_is_used() -> None:
    for name in ("rules-tls-rfc9325", "rules-tls-sp800-52r2"):
        rules = load(name)
        every = [s for s in suites().values() if s != "TLS_NULL_WITH_NULL_NULL"]
        assert [s for s in every if rules.key_exchange(s) is None] == []
        used = {id(rules.cipher(s)) for s in every} | {id(rules.cipher(s, True)) for s in every}
        assert [r for r in rules.ciphers if id(r) not in used] == []
