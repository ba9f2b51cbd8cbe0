"""SSH key exchange up to the server's signature: bytes in, bytes out, no socket.

It goes just far enough to prove that the server holds its host key. No keys are derived, so nothing is ever encrypted,
and no service or user can be asked for. The scanner's own secrets protect nothing and are discarded.

Methods that need more than that are not here: a post-quantum hybrid wants a key pair of its own kind, for which no
library that we depend on has code.

Source: RFC 4253 sections 7 and 8; RFC 4419 (group exchange); RFC 5656 section 4 (ECDH); RFC 8268 (groups 15 to 18);
RFC 8731 (curve25519).
"""

from __future__ import annotations

import hashlib
import secrets
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from cryptography.hazmat.primitives.asymmetric import ec, x25519
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from hardenprobe.errors import MalformedReply
from hardenprobe.probes.ssh import groups
from hardenprobe.probes.ssh.codec import Reader, mpint, string

INIT, REPLY = 30, 31  # RFC 4253 section 8, RFC 5656 section 7.1
GEX_GROUP, GEX_INIT, GEX_REPLY, GEX_REQUEST = 31, 32, 33, 34  # RFC 4419 section 5
GEX_SIZES = (
    1024,
    3072,
    8192,
)  # least, preferred and most bits; small ones are taken, so that old servers answer
EXPONENT_BITS = 256


@dataclass(frozen=True)
class Method:
    """A key exchange method.

    Attributes:
        digest: Name of its hash.
        form: x25519, a curve, a fixed group, or a group that the server chooses.
        bits: Size of a fixed group.
    """

    name: str
    digest: str
    form: Literal["x25519", "curve", "group", "gex"]
    curve: ec.EllipticCurve | None = None
    bits: int = 0


# In the order in which they are taken: the cheapest for the server first.
METHODS: tuple[Method, ...] = (
    Method("curve25519-sha256", "sha256", "x25519"),
    Method("curve25519-sha256@libssh.org", "sha256", "x25519"),
    Method("ecdh-sha2-nistp256", "sha256", "curve", curve=ec.SECP256R1()),
    Method("ecdh-sha2-nistp384", "sha384", "curve", curve=ec.SECP384R1()),
    Method("ecdh-sha2-nistp521", "sha512", "curve", curve=ec.SECP521R1()),
    Method("diffie-hellman-group14-sha256", "sha256", "group", bits=2048),
    Method("diffie-hellman-group14-sha1", "sha1", "group", bits=2048),
    Method("diffie-hellman-group1-sha1", "sha1", "group", bits=1024),
    Method("diffie-hellman-group15-sha512", "sha512", "group", bits=3072),
    Method("diffie-hellman-group16-sha512", "sha512", "group", bits=4096),
    Method("diffie-hellman-group-exchange-sha256", "sha256", "gex"),
    Method("diffie-hellman-group-exchange-sha1", "sha1", "gex"),
    Method("diffie-hellman-group17-sha512", "sha512", "group", bits=6144),
    Method("diffie-hellman-group18-sha512", "sha512", "group", bits=8192),
)


GROUP_EXCHANGES = ("diffie-hellman-group-exchange-sha256", "diffie-hellman-group-exchange-sha1")


def group_request(least: int) -> bytes:
    """Ask for a group of the least size, and take any that is not smaller (RFC 4419 section 3)."""
    return struct.pack(">BIII", GEX_REQUEST, least, least, GEX_SIZES[2])


def group_bits(payload: bytes) -> int:
    """The size of the group that a server chose.

    Raises:
        MalformedReply: The message is no group.
    """
    reader = Reader(payload)
    if (number := reader.byte()) != GEX_GROUP:
        raise MalformedReply(f"SSH message {number} in place of a group")
    prime, _ = reader.mpint(), reader.mpint()
    reader.end()
    if prime < 0 or not prime & 1:
        raise MalformedReply("SSH group whose modulus is no odd number")
    return prime.bit_length()


def choose(offered: Sequence[str]) -> Method | None:
    """The first supported method that a server offers."""
    return next((method for method in METHODS if method.name in offered), None)


@dataclass(frozen=True)
class Openings:
    """What both sides said first: identification lines without their ends, and KEXINIT payloads."""

    client: bytes
    server: bytes
    client_init: bytes
    server_init: bytes

    def encode(self) -> bytes:
        return b"".join(map(string, (self.client, self.server, self.client_init, self.server_init)))


@dataclass(frozen=True)
class HostKeyProof:
    """The signature that proves the host key.

    Attributes:
        host_key: Public key blob.
        exchange_hash: H.
        signature: Signature blob over H.
    """

    host_key: bytes
    exchange_hash: bytes
    signature: bytes


class KeyExchange:
    """The client's side of one exchange. Send `first`, then give each reply to `take`."""

    def __init__(self, method: Method, openings: Openings) -> None:
        self._method = method
        self._openings = openings
        self._group = (groups.prime(method.bits), 2) if method.bits else (0, 0)
        self._sizes = b""
        self._waits_for_group = method.form == "gex"
        self._secret = secrets.randbits(EXPONENT_BITS) | 1
        self._x25519 = x25519.X25519PrivateKey.generate() if method.form == "x25519" else None
        self._ecdh = ec.generate_private_key(method.curve) if method.curve else None

    @property
    def first(self) -> bytes:
        """The client's first message."""
        if self._method.form == "gex":
            return struct.pack(">BIII", GEX_REQUEST, *GEX_SIZES)
        return bytes([INIT]) + self._ours

    def take(self, payload: bytes) -> bytes | HostKeyProof:
        """Read the server's next message.

        Returns:
            The client's next message, or what the server signed.

        Raises:
            MalformedReply: The message is not what must come now, or holds values that cannot be.
        """
        reader = Reader(payload)
        number = reader.byte()
        if self._waits_for_group:
            if number != GEX_GROUP:
                raise MalformedReply(f"SSH message {number} in place of a group")
            self._take_group(reader)
            return bytes([GEX_INIT]) + self._ours
        wanted = GEX_REPLY if self._method.form == "gex" else REPLY
        if number != wanted:
            raise MalformedReply(f"SSH message {number} in place of the key exchange's reply")
        host_key = reader.string()
        theirs = reader.string()
        signature = reader.string()
        reader.end()
        shared = self._shared(theirs)
        digest = hashlib.new(self._method.digest, self._openings.encode() + string(host_key))
        digest.update(self._sizes + self._ours + string(theirs) + mpint(shared))
        return HostKeyProof(host_key, digest.digest(), signature)

    def _take_group(self, reader: Reader) -> None:
        prime, generator = reader.mpint(), reader.mpint()
        reader.end()
        if not GEX_SIZES[0] <= prime.bit_length() <= GEX_SIZES[2] or not 1 < generator < prime - 1:
            raise MalformedReply(f"SSH group of {prime.bit_length()} bits that cannot be used")
        if prime < 0 or not prime & 1:
            raise MalformedReply("SSH group whose modulus is no odd number")
        self._group = (prime, generator)
        self._sizes = struct.pack(">III", *GEX_SIZES) + mpint(prime) + mpint(generator)
        self._waits_for_group = False

    @cached_property
    def _ours(self) -> bytes:
        """Our public value, as it is sent and hashed."""
        if self._x25519:
            return string(self._x25519.public_key().public_bytes_raw())
        if self._ecdh:
            public = self._ecdh.public_key()
            return string(public.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint))
        prime, generator = self._group
        return mpint(pow(generator, self._secret, prime))

    def _shared(self, theirs: bytes) -> int:
        """The shared secret K. X25519's is read as a big-endian number (RFC 8731 section 3)."""
        try:
            if self._x25519:
                peer = x25519.X25519PublicKey.from_public_bytes(theirs)
                return int.from_bytes(self._x25519.exchange(peer), "big")
            if self._ecdh:
                point = ec.EllipticCurvePublicKey.from_encoded_point(self._ecdh.curve, theirs)
                return int.from_bytes(self._ecdh.exchange(ec.ECDH(), point), "big")
        except ValueError as exc:
            raise MalformedReply("SSH public value that is no point of the curve") from exc
        value = int.from_bytes(theirs, "big", signed=True)
        prime, _ = self._group
        if not 1 < value < prime - 1:  # RFC 4253 section 8
            raise MalformedReply("SSH public value outside the group")
        return pow(value, self._secret, prime)
