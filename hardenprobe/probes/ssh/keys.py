"""SSH host keys: read a public key, and verify what it signed.

Source: RFC 4253 section 6.6 (ssh-dss, ssh-rsa); RFC 8332 (rsa-sha2-*); RFC 5656 section 3 (ECDSA); RFC 8709 (EdDSA).
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import dsa, ec, ed448, ed25519, padding, rsa
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature

from hardenprobe.errors import MalformedReply
from hardenprobe.probes.ssh.codec import Reader

# Each key type with the algorithms that ask for it, the best first.
TYPES: Mapping[str, tuple[str, ...]] = {
    "ssh-ed25519": ("ssh-ed25519",),
    "ssh-ed448": ("ssh-ed448",),
    "ecdsa-sha2-nistp256": ("ecdsa-sha2-nistp256",),
    "ecdsa-sha2-nistp384": ("ecdsa-sha2-nistp384",),
    "ecdsa-sha2-nistp521": ("ecdsa-sha2-nistp521",),
    "ssh-rsa": ("rsa-sha2-512", "rsa-sha2-256", "ssh-rsa"),
    "ssh-dss": ("ssh-dss",),
}

LARGEST = 16384  # bits of a modulus; what is larger costs seconds and is no real key
_RSA_HASHES: Mapping[str, hashes.HashAlgorithm] = {
    "ssh-rsa": hashes.SHA1(),
    "rsa-sha2-256": hashes.SHA256(),
    "rsa-sha2-512": hashes.SHA512(),
}
_CURVES: Mapping[str, tuple[ec.EllipticCurve, hashes.HashAlgorithm]] = {
    "nistp256": (ec.SECP256R1(), hashes.SHA256()),
    "nistp384": (ec.SECP384R1(), hashes.SHA384()),
    "nistp521": (ec.SECP521R1(), hashes.SHA512()),
}
_EDWARDS_BITS = {"ssh-ed25519": 256, "ssh-ed448": 456}

Verify = Callable[[str, bytes, bytes], None]


@dataclass(frozen=True)
class PublicKey:
    """A host key as the server sent it.

    Attributes:
        key_type: One of TYPES.
        sha256: Digest of the blob, hex: the fingerprint.
        verify: Takes signature algorithm, signature and data; raises where the signature is wrong.
    """

    key_type: str
    bits: int
    sha256: str
    verify: Verify


def public_key(blob: bytes) -> PublicKey:
    """Read a public key.

    Raises:
        MalformedReply: Unknown type, or values that cannot be.
    """
    reader = Reader(blob)
    key_type = reader.string().decode("ascii", "replace")
    if key_type not in TYPES:
        raise MalformedReply("SSH host key of a type that was not asked for")
    try:
        bits, verify = _READERS.get(key_type, _edwards)(key_type, reader)
    except (ValueError, UnsupportedAlgorithm) as exc:
        raise MalformedReply(f"SSH host key that cannot be read: {type(exc).__name__}") from exc
    reader.end()
    return PublicKey(key_type, bits, hashlib.sha256(blob).hexdigest(), verify)


def proves(key: PublicKey, signature: bytes, data: bytes) -> str:
    """Verify a signature blob.

    Returns:
        The signature algorithm that it names.

    Raises:
        MalformedReply: It is not the key's signature over the data.
    """
    reader = Reader(signature)
    algorithm = reader.string().decode("ascii", "replace")
    value = reader.string()
    reader.end()
    if algorithm not in TYPES[key.key_type]:
        raise MalformedReply("SSH signature of another key type")
    try:
        key.verify(algorithm, value, data)
    except (InvalidSignature, ValueError, UnsupportedAlgorithm) as exc:
        raise MalformedReply("SSH signature that the host key did not make") from exc
    return algorithm


def _bounded(value: int) -> int:
    if not 0 < value.bit_length() <= LARGEST or value < 0:
        raise MalformedReply(f"SSH host key of {value.bit_length()} bits")
    return value


def _rsa(key_type: str, reader: Reader) -> tuple[int, Verify]:
    exponent, modulus = _bounded(reader.mpint()), _bounded(reader.mpint())
    key = rsa.RSAPublicNumbers(exponent, modulus).public_key()

    def verify(algorithm: str, signature: bytes, data: bytes) -> None:
        # A signature may come without its leading zero bytes.
        whole = signature.rjust((modulus.bit_length() + 7) // 8, b"\0")
        key.verify(whole, data, padding.PKCS1v15(), _RSA_HASHES[algorithm])

    return modulus.bit_length(), verify


def _dss(key_type: str, reader: Reader) -> tuple[int, Verify]:
    p, q, g, y = (_bounded(reader.mpint()) for _ in range(4))
    key = dsa.DSAPublicNumbers(y, dsa.DSAParameterNumbers(p, q, g)).public_key()

    def verify(algorithm: str, signature: bytes, data: bytes) -> None:
        if len(signature) != 40:
            raise ValueError("two numbers of 160 bits are expected")
        r, s = int.from_bytes(signature[:20], "big"), int.from_bytes(signature[20:], "big")
        key.verify(encode_dss_signature(r, s), data, hashes.SHA1())

    return p.bit_length(), verify


def _ecdsa(key_type: str, reader: Reader) -> tuple[int, Verify]:
    name = reader.string().decode("ascii", "replace")
    if key_type != f"ecdsa-sha2-{name}":
        raise MalformedReply("SSH host key of another curve than its type")
    curve, digest = _CURVES[name]
    key = ec.EllipticCurvePublicKey.from_encoded_point(curve, reader.string())

    def verify(algorithm: str, signature: bytes, data: bytes) -> None:
        parts = Reader(signature)
        r, s = parts.mpint(), parts.mpint()
        parts.end()
        key.verify(encode_dss_signature(r, s), data, ec.ECDSA(digest))

    return curve.key_size, verify


def _edwards(key_type: str, reader: Reader) -> tuple[int, Verify]:
    raw = reader.string()
    key: ed25519.Ed25519PublicKey | ed448.Ed448PublicKey
    if key_type == "ssh-ed25519":
        key = ed25519.Ed25519PublicKey.from_public_bytes(raw)
    else:
        key = ed448.Ed448PublicKey.from_public_bytes(raw)

    def verify(algorithm: str, signature: bytes, data: bytes) -> None:
        key.verify(signature, data)

    return _EDWARDS_BITS[key_type], verify


_READERS: Mapping[str, Callable[[str, Reader], tuple[int, Verify]]] = {
    "ssh-rsa": _rsa,
    "ssh-dss": _dss,
    "ecdsa-sha2-nistp256": _ecdsa,
    "ecdsa-sha2-nistp384": _ecdsa,
    "ecdsa-sha2-nistp521": _ecdsa,
}
