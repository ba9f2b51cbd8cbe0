"""The encrypted half of a TLS 1.3 first flight, for the certificate in it.

With a key share of our own, the server's handshake keys can be derived and its Certificate read without finishing the
handshake. Nothing here protects a secret of the scanner.

Source: RFC 8446 sections 4.4.1, 5.2 and 7.1. Groups: RFC 7748, RFC 8422; ffdhe is left to the servers that insist on it.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from cryptography.exceptions import InvalidTag, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, x448, x25519
from cryptography.hazmat.primitives.ciphers.aead import AESCCM, AESGCM, ChaCha20Poly1305
from cryptography.hazmat.primitives.hmac import HMAC
from cryptography.hazmat.primitives.kdf.hkdf import HKDFExpand
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from hardenprobe.errors import MalformedReply
from hardenprobe.probes.tls.codec import MESSAGE_LIMIT, RECORD_LIMIT, ServerHello, read_chain

# Suite to hash, key length and cipher (RFC 8446 appendix B.4).
_SUITES: dict[int, tuple[str, int, Callable[[bytes], AESGCM | AESCCM | ChaCha20Poly1305]]] = {
    0x1301: ("sha256", 16, AESGCM),
    0x1302: ("sha384", 32, AESGCM),
    0x1303: ("sha256", 32, ChaCha20Poly1305),
    0x1304: ("sha256", 16, AESCCM),
    0x1305: ("sha256", 16, lambda key: AESCCM(key, tag_length=8)),
}
_HASHES: dict[str, hashes.HashAlgorithm] = {"sha256": hashes.SHA256(), "sha384": hashes.SHA384()}
_CURVES: dict[int, ec.EllipticCurve] = {23: ec.SECP256R1(), 24: ec.SECP384R1(), 25: ec.SECP521R1()}
SHARED_GROUPS = (29, 23, 24, 25, 30)


@dataclass(frozen=True, kw_only=True)
class KeyShare:
    """A private value for one exchange."""

    group: int
    public: bytes
    combine: Callable[[bytes], bytes]


def key_share(group: int) -> KeyShare:
    """Make a key share.

    Raises:
        KeyError: The group is not one of SHARED_GROUPS.
    """
    if group == 29:
        private = x25519.X25519PrivateKey.generate()
        return KeyShare(
            group=group,
            public=private.public_key().public_bytes_raw(),
            combine=lambda peer: private.exchange(x25519.X25519PublicKey.from_public_bytes(peer)),
        )
    if group == 30:
        large = x448.X448PrivateKey.generate()
        return KeyShare(
            group=group,
            public=large.public_key().public_bytes_raw(),
            combine=lambda peer: large.exchange(x448.X448PublicKey.from_public_bytes(peer)),
        )
    curve = _CURVES[group]
    key = ec.generate_private_key(curve)
    return KeyShare(
        group=group,
        public=key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint),
        combine=lambda peer: key.exchange(
            ec.ECDH(), ec.EllipticCurvePublicKey.from_encoded_point(curve, peer)
        ),
    )


@dataclass(kw_only=True)
class EncryptedPart:
    """What the encrypted part said.

    Attributes:
        done: The certificate has been read, or none will come.
    """

    chain: list[bytes]
    left_out: int = 0
    certificate_requested: bool = False
    alert: tuple[int, int] | None = None
    done: bool = False


class Unsealer:
    """Opens the server's handshake records, in order, as they come.

    Args:
        before: Handshake messages in clear, from our first hello up to the one before `hello`.

    Raises:
        MalformedReply: The server's share or suite cannot be used.
    """

    def __init__(self, before: Sequence[bytes], hello: ServerHello, share: KeyShare) -> None:
        if hello.suite not in _SUITES:
            raise MalformedReply(f"TLS 1.3: suite 0x{hello.suite:04X} has no cipher here")
        name, length, cipher = _SUITES[hello.suite]
        try:
            shared = share.combine(hello.share)
        except (ValueError, UnsupportedAlgorithm) as exc:
            raise MalformedReply(f"TLS 1.3: the server's key share is unusable: {exc}") from None
        transcript = hashlib.new(name, b"".join(_retried(name, before)) + hello.raw).digest()
        key, self._iv = server_keys(name, length, shared, transcript)
        self._cipher = cipher(key)
        self._sequence = 0
        self._pending = b""
        self.result = EncryptedPart(chain=[])

    def open(self, records: Sequence[bytes]) -> EncryptedPart:
        """Open records that were not opened before.

        Raises:
            MalformedReply: A record does not decrypt, or holds what has no place there.
        """
        for record in records[self._sequence :]:
            if self.result.done:
                break
            nonce = (int.from_bytes(self._iv, "big") ^ self._sequence).to_bytes(12, "big")
            try:
                plain = self._cipher.decrypt(nonce, record[5:], record[:5])
            except (InvalidTag, ValueError):
                raise MalformedReply("TLS 1.3: a record does not decrypt") from None
            self._sequence += 1
            plain = plain.rstrip(b"\x00")
            if not plain or len(plain) > RECORD_LIMIT:
                raise MalformedReply("TLS 1.3: a record without content")
            self._content(plain[-1], plain[:-1])
        return self.result

    def _content(self, kind: int, body: bytes) -> None:
        if kind == 21 and len(body) == 2:
            self.result.alert = (body[0], body[1])
            self.result.done = True
            return
        if kind != 22:
            raise MalformedReply(f"TLS 1.3: content type {kind} in a first flight")
        data = self._pending + body
        while len(data) >= 4 and not self.result.done:
            length = int.from_bytes(data[1:4], "big")
            if length > MESSAGE_LIMIT:
                raise MalformedReply(f"TLS 1.3: message of {length} bytes")
            if len(data) < 4 + length:
                break
            if data[0] == 13:
                self.result.certificate_requested = True
            elif data[0] == 11:
                self.result.chain, self.result.left_out = read_chain(data[4 : 4 + length], thirteen=True)
            # CertificateVerify, Finished and CompressedCertificate: no more certificates after them.
            self.result.done = data[0] in (11, 15, 20, 25)
            data = data[4 + length :]
        self._pending = data


def server_keys(name: str, length: int, shared: bytes, transcript: bytes) -> tuple[bytes, bytes]:
    """The server's handshake key and IV.

    Args:
        name: Hash of the suite.
        length: Of the key, in bytes.
        shared: Result of the key exchange.
        transcript: Digest of the messages up to ServerHello.
    """
    size = hashlib.new(name).digest_size
    early = _extract(name, bytes(size), bytes(size))
    salt = _expand(name, early, "derived", hashlib.new(name).digest(), size)
    secret = _expand(name, _extract(name, salt, shared), "s hs traffic", transcript, size)
    return _expand(name, secret, "key", b"", length), _expand(name, secret, "iv", b"", 12)


def _extract(name: str, salt: bytes, secret: bytes) -> bytes:
    mac = HMAC(salt, _HASHES[name])
    mac.update(secret)
    return mac.finalize()


def _expand(name: str, secret: bytes, label: str, context: bytes, length: int) -> bytes:
    """HKDF-Expand-Label (RFC 8446 section 7.1)."""
    full = b"tls13 " + label.encode("ascii")
    info = struct.pack(">HB", length, len(full)) + full + bytes([len(context)]) + context
    return HKDFExpand(_HASHES[name], length, info).derive(secret)


def _retried(name: str, before: Sequence[bytes]) -> list[bytes]:
    """After a HelloRetryRequest the first hello counts as its digest (RFC 8446 section 4.4.1)."""
    if len(before) < 2:
        return list(before)
    digest = hashlib.new(name, before[0]).digest()
    return [b"\xfe\x00\x00" + bytes([len(digest)]) + digest, *before[1:]]
