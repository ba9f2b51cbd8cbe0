"""SSH values that are printed in RFCs: data types, the identification, groups, X25519, and the table of RFC 9142."""

from __future__ import annotations

import pytest
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey
from support.ssh import ssh_offer

from hardenprobe.checks import ssh_weak_key_exchange
from hardenprobe.errors import MalformedReply
from hardenprobe.probes.ssh import codec as ssh_codec
from hardenprobe.probes.ssh import groups
from hardenprobe.probes.ssh.codec import Reader, identification, mpint, names
from hardenprobe.probes.ssh.exchange import INIT, METHODS, REPLY, KeyExchange, Openings
from hardenprobe.standards.ssh_rules import load
from hardenprobe.standards.ssh_rules import matches as ssh_rules_match
from hardenprobe.testing import seen_device

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


# The primes as they are printed; those of 3072, 6144 and 8192 bits are held against OpenSSL's in tests/peers.
PRIMES = {
    1024: (  # RFC 2409 section 6.2
        "FFFFFFFFFFFFFFFFC90FDAA22168C234C4C6628B80DC1CD129024E088A67CC74020BBEA63B139B22514A08798E3404DD"
        "EF9519B3CD3A431B302B0A6DF25F14374FE1356D6D51C245E485B576625E7EC6F44C42E9A637ED6B0BFF5CB6F406B7ED"
        "EE386BFB5A899FA5AE9F24117C4B1FE649286651ECE65381FFFFFFFFFFFFFFFF"
    ),
    2048: (  # RFC 3526 section 3
        "FFFFFFFFFFFFFFFFC90FDAA22168C234C4C6628B80DC1CD129024E088A67CC74020BBEA63B139B22514A08798E3404DD"
        "EF9519B3CD3A431B302B0A6DF25F14374FE1356D6D51C245E485B576625E7EC6F44C42E9A637ED6B0BFF5CB6F406B7ED"
        "EE386BFB5A899FA5AE9F24117C4B1FE649286651ECE45B3DC2007CB8A163BF0598DA48361C55D39A69163FA8FD24CF5F"
        "83655D23DCA3AD961C62F356208552BB9ED529077096966D670C354E4ABC9804F1746C08CA18217C32905E462E36CE3B"
        "E39E772C180E86039B2783A2EC07A28FB5C55DF06F4C52C9DE2BCBF6955817183995497CEA956AE515D2261898FA0510"
        "15728E5A8AACAA68FFFFFFFFFFFFFFFF"
    ),
    4096: (  # RFC 3526 section 5
        "FFFFFFFFFFFFFFFFC90FDAA22168C234C4C6628B80DC1CD129024E088A67CC74020BBEA63B139B22514A08798E3404DD"
        "EF9519B3CD3A431B302B0A6DF25F14374FE1356D6D51C245E485B576625E7EC6F44C42E9A637ED6B0BFF5CB6F406B7ED"
        "EE386BFB5A899FA5AE9F24117C4B1FE649286651ECE45B3DC2007CB8A163BF0598DA48361C55D39A69163FA8FD24CF5F"
        "83655D23DCA3AD961C62F356208552BB9ED529077096966D670C354E4ABC9804F1746C08CA18217C32905E462E36CE3B"
        "E39E772C180E86039B2783A2EC07A28FB5C55DF06F4C52C9DE2BCBF6955817183995497CEA956AE515D2261898FA0510"
        "15728E5A8AAAC42DAD33170D04507A33A85521ABDF1CBA64ECFB850458DBEF0A8AEA71575D060C7DB3970F85A6E1E4C7"
        "ABF5AE8CDB0933D71E8C94E04A25619DCEE3D2261AD2EE6BF12FFA06D98A0864D87602733EC86A64521F2B18177B200C"
        "BBE117577A615D6C770988C0BAD946E208E24FA074E5AB3143DB5BFCE0FD108E4B82D120A92108011A723C12A787E6D7"
        "88719A10BDBA5B2699C327186AF4E23C1A946834B6150BDA2583E9CA2AD44CE8DBBBC2DB04DE8EF92E8EFC141FBECAA6"
        "287C59474E6BC05D99B2964FA090C3A2233BA186515BE7ED1F612970CEE2D7AFB81BDD762170481CD0069127D5B05AA9"
        "93B4EA988D8FDDC186FFB7DC90A6C08F4DF435C934063199FFFFFFFFFFFFFFFF"
    ),
}


@pytest.mark.parametrize("bits", PRIMES)
def test_groups_are_the_published_ones(bits: int) -> None:
    assert groups.prime(bits) == int(PRIMES[bits], 16)


def test_what_each_formula_adds() -> None:
    # RFC 2409 section 6.2; RFC 3526 sections 3 to 7
    printed = {1024: 129093, 2048: 124476, 3072: 1690314, 4096: 240904, 6144: 929484, 8192: 4743158}
    assert printed == groups.ADDED


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
