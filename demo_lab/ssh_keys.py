"""Host keys of the lab's SSH servers, and the signatures they make (RFC 4253 section 6.6, RFC 8332, RFC 5656, RFC 8709).

Written without hardenprobe's own SSH codec, so that a mistake in one shows against the other.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable

from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, padding
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from hardenprobe.demo_lab.named_keys import dsa_named, rsa_named

Sign = Callable[[bytes], bytes]

_RSA_HASHES: dict[str, hashes.HashAlgorithm] = {
    "ssh-rsa": hashes.SHA1(),
    "rsa-sha2-256": hashes.SHA256(),
    "rsa-sha2-512": hashes.SHA512(),
}
ALGORITHMS = ("ssh-ed25519", "ecdsa-sha2-nistp256", *_RSA_HASHES, "ssh-dss")


def string(data: bytes) -> bytes:
    return len(data).to_bytes(4, "big") + data


def mpint(value: int) -> bytes:
    return string(value.to_bytes(value.bit_length() // 8 + 1, "big") if value else b"")


def host_key(algorithm: str, name: str, rsa_bits: int) -> tuple[bytes, Sign]:
    """The public key blob of a named key, and what signs with it. The blob of a name is the same for each algorithm
    of a key type, and at every start."""
    if algorithm == "ssh-ed25519":
        return _ed25519(name)
    if algorithm == "ecdsa-sha2-nistp256":
        return _ecdsa(name)
    if algorithm == "ssh-dss":
        return _dss(name)
    return _rsa(algorithm, name, rsa_bits)


def _seed(name: str) -> bytes:
    """Public knowledge: no key of the lab protects anything."""
    return hashlib.sha256(f"hardenprobe demo lab host key {name}".encode()).digest()


def _ed25519(name: str) -> tuple[bytes, Sign]:
    key = ed25519.Ed25519PrivateKey.from_private_bytes(_seed(name))
    blob = string(b"ssh-ed25519") + string(key.public_key().public_bytes_raw())
    return blob, lambda data: string(b"ssh-ed25519") + string(key.sign(data))


def _ecdsa(name: str) -> tuple[bytes, Sign]:
    # Half of the seed's range, so that it is below the order of the group.
    key = ec.derive_private_key(int.from_bytes(_seed(name), "big") >> 1, ec.SECP256R1())
    kind = b"ecdsa-sha2-nistp256"
    point = key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)

    def sign(data: bytes) -> bytes:
        r, s = decode_dss_signature(key.sign(data, ec.ECDSA(hashes.SHA256())))
        return string(kind) + string(mpint(r) + mpint(s))

    return string(kind) + string(b"nistp256") + string(point), sign


def _rsa(algorithm: str, name: str, bits: int) -> tuple[bytes, Sign]:
    key = rsa_named(f"SSH {name}", bits)
    numbers = key.public_key().public_numbers()

    def sign(data: bytes) -> bytes:
        made = key.sign(data, padding.PKCS1v15(), _RSA_HASHES[algorithm])
        return string(algorithm.encode()) + string(made)

    return string(b"ssh-rsa") + mpint(numbers.e) + mpint(numbers.n), sign


def _dss(name: str) -> tuple[bytes, Sign]:
    key = dsa_named(name)
    public = key.public_key().public_numbers()
    group = public.parameter_numbers
    blob = string(b"ssh-dss") + b"".join(map(mpint, (group.p, group.q, group.g, public.y)))

    def sign(data: bytes) -> bytes:
        r, s = decode_dss_signature(key.sign(data, hashes.SHA1()))
        return string(b"ssh-dss") + string(r.to_bytes(20, "big") + s.to_bytes(20, "big"))

    return blob, sign
