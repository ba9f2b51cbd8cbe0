"""SSH's codec, key exchange and host keys, without a socket: any bytes are read or refused."""

from __future__ import annotations

import contextlib
import hashlib
import struct

import pytest
from cryptography.hazmat.primitives.asymmetric import dsa
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.demo_lab.ssh_keys import host_key
from hardenprobe.errors import MalformedReply
from hardenprobe.probes.ssh import codec, groups, keys
from hardenprobe.probes.ssh import exchange as ssh_exchange
from hardenprobe.probes.ssh.codec import KexInit, Reader, mpint, string
from hardenprobe.probes.ssh.exchange import METHODS, KeyExchange, Method, Openings

anything = st.binary(max_size=300)
name = st.text([chr(c) for c in range(33, 127) if chr(c) != ","], min_size=1, max_size=64)
lists = st.lists(name, max_size=6).map(tuple)
OPENINGS = Openings(b"SSH-2.0-a", b"SSH-2.0-b", b"\x14a", b"\x14b")
BY_NAME = {method.name: method for method in METHODS}


@given(st.builds(KexInit, *[], **dict.fromkeys(codec._LISTS, lists), guesses=st.booleans()))
def test_kexinit_comes_back_as_it_was_written(lists: KexInit) -> None:
    assert codec.kexinit(lists.encode()) == lists


@given(st.integers())
def test_mpint_comes_back_and_is_the_shortest(value: int) -> None:
    written = mpint(value)
    reader = Reader(written)
    assert reader.mpint() == value
    reader.end()
    body = written[4:]
    assert not body.startswith((b"\0\0", b"\xff\xff")) or len(body) < 2 or (body[0] ^ body[1]) & 0x80


@given(st.binary(min_size=1, max_size=600), st.binary(max_size=40))
def test_a_packet_comes_back_from_a_stream(payload: bytes, rest: bytes) -> None:
    framed = codec.packet(payload)
    assert len(framed) % 8 == 0 and framed[4] >= 4  # RFC 4253 section 6
    assert codec.unpack(framed + rest) == (payload, len(framed))
    assert codec.unpack(framed[:-1]) is None


@given(anything | anything.map(lambda data: b"SSH-2.0-" + data + b"\n"))
def test_any_greeting_is_read_or_refused(data: bytes) -> None:
    with contextlib.suppress(MalformedReply):
        if found := codec.identification(data):
            one, used = found
            assert one.line.startswith(b"SSH-") and used <= len(data)


@given(anything)
def test_any_packet_is_read_or_refused(data: bytes) -> None:
    with contextlib.suppress(MalformedReply):
        codec.unpack(data)
    with contextlib.suppress(MalformedReply):
        codec.kexinit(b"\x14" + data)


@pytest.mark.parametrize("length", [0, 4, 35001, 2**32 - 1])
def test_a_packet_that_lies_about_its_length_is_refused_before_it_is_waited_for(length: int) -> None:
    with pytest.raises(MalformedReply):
        codec.unpack(struct.pack(">IB", length, 4))


def test_lines_before_the_identification_have_an_end() -> None:
    assert codec.identification(b"hello\r\n" * 1000 + b"SSH-2.0-x\r\n")
    with pytest.raises(MalformedReply):
        codec.identification(b"hello\r\n" * 4000)
    with pytest.raises(MalformedReply):
        codec.identification(b"x" * 9000)


@pytest.mark.parametrize("names", [b"a b", b"a\0", b"\xff", b"x" * 65, b"a," * 300], ids=repr)
def test_a_name_list_of_what_are_no_names_is_refused(names: bytes) -> None:
    with pytest.raises(MalformedReply):
        Reader(string(names)).names()


ALGORITHMS = ("ssh-ed25519", "ecdsa-sha2-nistp256", "ssh-rsa", "rsa-sha2-256", "rsa-sha2-512", "ssh-dss")


@pytest.mark.parametrize("algorithm", ALGORITHMS)
def test_a_signature_of_the_lab_s_keys_is_verified_and_a_changed_one_is_not(algorithm: str) -> None:
    """The lab writes keys and signatures by code of its own."""
    blob, sign = host_key(algorithm, "codec", 1024)
    key = keys.public_key(blob)
    signature = sign(b"data")

    assert algorithm in keys.TYPES[key.key_type]
    assert key.sha256 == hashlib.sha256(blob).hexdigest()
    assert keys.proves(key, signature, b"data") == algorithm
    wrong = signature[:-1] + bytes([signature[-1] ^ 1])
    for data, bad in ((b"other", signature), (b"data", wrong), (b"data", b""), (b"data", signature[:-1])):
        with pytest.raises(MalformedReply):
            keys.proves(key, bad, data)


def test_the_bits_of_a_key_are_those_of_its_modulus() -> None:
    sizes = {a: keys.public_key(host_key(a, "codec", 1024)[0]).bits for a in ALGORITHMS}
    assert sizes == {
        "ssh-ed25519": 256,
        "ecdsa-sha2-nistp256": 256,
        "ssh-rsa": 1024,
        "rsa-sha2-256": 1024,
        "rsa-sha2-512": 1024,
        "ssh-dss": 1024,
    }


def test_a_modulus_that_would_cost_seconds_is_refused_at_once() -> None:
    for bits in (16385, 200_000):
        with pytest.raises(MalformedReply):
            keys.public_key(string(b"ssh-rsa") + mpint(65537) + mpint(2**bits + 1))


key_types = st.sampled_from([*keys.TYPES, "x"]).map(lambda kind: string(kind.encode()))


@given(key_types, st.lists(anything.map(string) | st.integers().map(mpint), max_size=4), anything)
def test_any_key_and_signature_is_read_or_refused(kind: bytes, parts: list[bytes], data: bytes) -> None:
    with contextlib.suppress(MalformedReply):
        keys.public_key(kind + b"".join(parts))
    good = keys.public_key(host_key("ssh-ed25519", "codec", 1024)[0])
    with pytest.raises(MalformedReply):
        keys.proves(good, data, b"data")


@given(st.sampled_from(METHODS), st.binary(max_size=200))
def test_any_reply_ends_the_exchange_or_is_taken(method: Method, data: bytes) -> None:
    for number in (30, 31, 33):
        with contextlib.suppress(MalformedReply):
            KeyExchange(method, OPENINGS).take(bytes([number]) + data)


def _reply(theirs: bytes) -> bytes:
    return bytes([31]) + string(b"key") + theirs + string(b"signature")


@pytest.mark.parametrize("value", [-1, 0, 1, groups.prime(2048) - 1, groups.prime(2048)])
def test_a_public_value_that_gives_the_secret_away_is_refused(value: int) -> None:
    """RFC 4253 section 8: values outside 1 < f < p-1 must not be accepted."""
    exchange = KeyExchange(BY_NAME["diffie-hellman-group14-sha256"], OPENINGS)
    with pytest.raises(MalformedReply):
        exchange.take(_reply(mpint(value)))


@pytest.mark.parametrize(
    ("prime", "generator"),
    [(2**512 + 1, 2), (2**9000 + 1, 2), (2**2048, 2), (-(2**2048) + 1, 2), (2**2048 + 1, 1)],
    ids=["small", "huge", "even", "negative", "generator 1"],
)
def test_a_group_that_cannot_be_used_is_refused(prime: int, generator: int) -> None:
    exchange = KeyExchange(BY_NAME["diffie-hellman-group-exchange-sha256"], OPENINGS)
    with pytest.raises(MalformedReply):
        exchange.take(bytes([31]) + mpint(prime) + mpint(generator))


@pytest.mark.parametrize(
    ("offered", "chosen"),
    [
        (("diffie-hellman-group1-sha1", "curve25519-sha256"), "curve25519-sha256"),
        (("mlkem768x25519-sha256", "diffie-hellman-group14-sha1"), "diffie-hellman-group14-sha1"),
        (("mlkem768x25519-sha256", "ext-info-s"), None),
    ],
)
def test_the_method_is_the_cheapest_that_both_know(offered: tuple[str, ...], chosen: str | None) -> None:
    method = ssh_exchange.choose(offered)
    assert (method and method.name) == chosen


def test_a_dsa_key_of_an_odd_size_is_refused() -> None:
    numbers = dsa.DSAParameterNumbers(2**1000 + 1, 2**160 + 7, 2)
    blob = string(b"ssh-dss") + b"".join(map(mpint, (numbers.p, numbers.q, numbers.g, 4)))
    with pytest.raises(MalformedReply):
        keys.public_key(blob)
