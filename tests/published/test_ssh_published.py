"""SSH values that are printed in RFCs: data types, the identification, groups, X25519, and the table of RFC 9142."""

from __future__ import annotations

import pytest
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey

from hardenprobe.checks import ssh_weak_key_exchange
from hardenprobe.errors import MalformedReply
from hardenprobe.probes import ssh_codec
from hardenprobe.probes.ssh_codec import Reader, identification, mpint, names
from hardenprobe.probes.ssh_exchange import INIT, METHODS, REPLY, KeyExchange, Openings
from hardenprobe.probes.ssh_groups import GROUP_1024, GROUP_2048, GROUP_4096
from hardenprobe.rulesets_ssh import load
from hardenprobe.rulesets_ssh import matches as ssh_rules_match
from hardenprobe.testing import seen_device
from hardenprobe.testing_ssh import ssh_offer

RULES = load("rules-ssh-rfc9142")


# RFC 4251 section 5, examples of mpint.
@pytest.mark.parametrize(
    ("value", "encoded"),
    [
        (0, "00000000"),
        (0x9A378F9B2E332A7, "0000000809a378f9b2e332a7"),
        (0x80, "000000020080"),
        (-0x1234, "00000002edcc"),
        (-0xDEADBEEF, "00000005ff21524111"),
    ],
)
def test_mpint(value: int, encoded: str) -> None:
    assert mpint(value).hex() == encoded
    assert Reader(bytes.fromhex(encoded)).mpint() == value


# RFC 4251 section 5, examples of name-list.
@pytest.mark.parametrize(
    ("value", "encoded"),
    [
        ((), "00000000"),
        (("zlib",), "000000047a6c6962"),
        (("zlib", "none"), "000000097a6c69622c6e6f6e65"),
    ],
)
def test_name_list(value: tuple[str, ...], encoded: str) -> None:
    assert names(value).hex() == encoded
    assert Reader(bytes.fromhex(encoded)).names() == value


def test_message_numbers() -> None:
    """RFC 4250 section 4.1.2; RFC 4253 section 8 and RFC 5656 section 7.1."""
    codec = ssh_codec
    assert (codec.DISCONNECT, codec.IGNORE, codec.UNIMPLEMENTED, codec.DEBUG, codec.KEXINIT) == (
        1,
        2,
        3,
        4,
        20,
    )
    assert (INIT, REPLY) == (30, 31)


def test_identification_example() -> None:
    """RFC 4253 section 4.2."""
    found = identification(b"SSH-2.0-billsSSH_3.6.3q3\r\n")
    assert found is not None
    assert (found[0].protocol, found[0].software, found[0].comments) == ("2.0", "billsSSH_3.6.3q3", "")


def test_identification_of_255_octets_is_the_longest() -> None:
    """RFC 4253 section 4.2: at most 255 octets with CR LF, and no NUL."""
    assert identification(b"SSH-2.0-" + b"x" * 245 + b"\r\n")
    for line in (b"SSH-2.0-" + b"x" * 246 + b"\r\n", b"SSH-2.0-x\0\r\n"):
        with pytest.raises(MalformedReply):
            identification(line)


def test_1_99_stands_for_both() -> None:
    """RFC 4253 section 5.1."""
    found = {v: identification(f"SSH-{v}-x\n".encode()) for v in ("1.99", "1.5", "2.0")}
    assert {v: one[0].both for v, one in found.items() if one} == {"1.99": True, "1.5": False, "2.0": True}


def _pi(bits: int) -> int:
    """The floor of pi times 2 to the power of `bits`, by Machin's formula."""
    unit = 1 << (bits + 64)

    def arctan(inverse: int) -> int:
        term = total = unit // inverse
        n, sign = 3, -1
        while term:
            term //= inverse * inverse
            total += sign * (term // n)
            n, sign = n + 2, -sign
        return total

    return (16 * arctan(5) - 4 * arctan(239)) >> 64


@pytest.mark.parametrize(
    ("prime", "bits", "added"),
    [(GROUP_1024, 1024, 129093), (GROUP_2048, 2048, 124476), (GROUP_4096, 4096, 240904)],
    ids=["RFC 2409 section 6.2", "RFC 3526 section 3", "RFC 3526 section 5"],
)
def test_groups_are_what_their_formula_says(prime: int, bits: int, added: int) -> None:
    """Both RFCs: 2^n - 2^(n-64) - 1 + 2^64 * ([2^(n-130) pi] + k)."""
    assert prime == 2**bits - 2 ** (bits - 64) - 1 + 2**64 * (_pi(bits - 130) + added)


# RFC 7748 section 6.1: Bob's private key, Alice's public key and their shared secret K.
BOB = "5dab087e624a8a4b79e17f8b83800ee66f3bb1292618b6fd1c2f8b27ff88e0eb"
ALICE = "8520f0098930a754748b7ddcb43ef75a0dbf3a0d26381af4eba4a98eaa9b4e6a"
SHARED = "4a5d9d5ba4ce2de1728e3bf480350f25e07e21c947d19e3376f09b3c1e161742"


def test_the_shared_secret_of_curve25519_is_read_as_a_big_endian_number() -> None:
    """RFC 8731 section 3 over the example of RFC 7748 section 6.1."""
    exchange = KeyExchange(METHODS[0], Openings(b"", b"", b"", b""))
    exchange._x25519 = X25519PrivateKey.from_private_bytes(bytes.fromhex(BOB))
    assert exchange._shared(bytes.fromhex(ALICE)) == int(SHARED, 16)


@pytest.mark.parametrize("theirs", [bytes(32), b"\1" + bytes(31), b"short"], ids=["0", "1", "too short"])
def test_points_of_small_order_end_the_exchange(theirs: bytes) -> None:
    """RFC 8731 section 3: an all-zero shared secret aborts, and so does another length than 32 octets."""
    with pytest.raises(MalformedReply):
        KeyExchange(METHODS[0], Openings(b"", b"", b"", b""))._shared(theirs)


# RFC 9142 section 4, Table 12, row by row; a star stands for the rest of the name.
TABLE_12 = {
    "curve25519-sha256": "should",
    "curve448-sha512": "may",
    "diffie-hellman-group-exchange-sha1": "should-not",
    "diffie-hellman-group-exchange-sha256": "may",
    "diffie-hellman-group1-sha1": "should-not",
    "diffie-hellman-group14-sha1": "may",
    "diffie-hellman-group14-sha256": "must",
    "diffie-hellman-group15-sha512": "may",
    "diffie-hellman-group16-sha512": "should",
    "diffie-hellman-group17-sha512": "may",
    "diffie-hellman-group18-sha512": "may",
    "ecdh-sha2-*": "may",
    "ecdh-sha2-nistp256": "should",
    "ecdh-sha2-nistp384": "should",
    "ecdh-sha2-nistp521": "should",
    "ecmqv-sha2": "may",
    "gss-curve25519-sha256-*": "should",
    "gss-curve448-sha512-*": "may",
    "gss-gex-sha1-*": "should-not",
    "gss-group1-sha1-*": "should-not",
    "gss-group14-sha1-*": "should-not",
    "gss-group14-sha256-*": "should",
    "gss-group15-sha512-*": "may",
    "gss-group17-sha512-*": "may",
    "gss-group18-sha512-*": "may",
    "gss-nistp256-sha256-*": "should",
    "gss-nistp384-sha384-*": "should",
    "gss-nistp521-sha512-*": "should",
    "rsa1024-sha1": "must-not",
    "rsa2048-sha256": "may",
}
SETTINGS = ssh_weak_key_exchange.CHECK.settings(rules="rules-ssh-rfc9142")


@pytest.mark.parametrize(("method", "guidance"), TABLE_12.items())
def test_table_12_row_by_row(method: str, guidance: str) -> None:
    name = method.replace("*", "1.3.132.0.1")
    first = next(r for r in RULES.key_exchanges if ssh_rules_match(name, r.match))
    outcomes = ssh_weak_key_exchange.CHECK.judge(seen_device(ssh_offer(key_exchanges=(name,))), SETTINGS)

    assert first.say == guidance
    assert [str(o.word) for o in outcomes] == ["fail" if guidance.endswith("not") else "pass"]


@pytest.mark.parametrize("marker", ["ext-info-c", "ext-info-s"])
def test_the_rows_that_are_no_methods_are_passed_over(marker: str) -> None:
    """RFC 9142 Table 12 lists them; RFC 8308 section 2.1 says what they are."""
    assert RULES.is_marker(marker)
    assert RULES.rate(RULES.key_exchanges, [marker]) == ([], [])


# RFC 8758 section 2: MUST NOT. RFC 8332 sections 3 and 5.2. RFC 6668 section 2.
@pytest.mark.parametrize(
    ("kind", "name", "guidance"),
    [
        ("ciphers", "arcfour", "must-not"),
        ("ciphers", "arcfour128", "must-not"),
        ("ciphers", "arcfour256", "must-not"),
        ("host_keys", "rsa-sha2-256", "should"),
        ("host_keys", "rsa-sha2-512", "may"),
        ("host_keys", "ssh-rsa", "should-not"),
        ("macs", "hmac-sha2-256", "should"),
        ("macs", "hmac-sha2-512", "may"),
    ],
)
def test_other_algorithms(kind: str, name: str, guidance: str) -> None:
    assert next(r for r in getattr(RULES, kind) if ssh_rules_match(name, r.match)).say == guidance
