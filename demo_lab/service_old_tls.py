"""A TLS 1.2 server of long ago, as far as its Hello goes: no library of today can be talked into what it does.

It answers every ClientHello with what an old device picks, shows its certificate, and goes no further: a client that wants to
finish the handshake is left. Source: RFC 5246 section 7.4, RFC 3749 (compression).
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import padding
from cryptography.x509.oid import NameOID

from hardenprobe.demo_lab.named_keys import rsa_named
from hardenprobe.demo_lab.service import Host, Service, Talk
from hardenprobe.probes.ssh.groups import prime

HANDSHAKE, ALERT = 22, 21
CLIENT_HELLO, SERVER_HELLO, CERTIFICATE, KEY_EXCHANGE, DONE = 1, 2, 11, 12, 14
TLS12 = b"\x03\x03"
DHE = 0x0033  # TLS_DHE_RSA_WITH_AES_128_CBC_SHA
SUITES = (0x0005, DHE)  # TLS_RSA_WITH_RC4_128_SHA first
DEFLATE = 1  # RFC 3749 section 2
GROUP_BITS = 1024
SHA256_WITH_RSA, SHA1_WITH_RSA = bytes.fromhex("2a864886f70d01010b"), bytes.fromhex("2a864886f70d010105")
HANDSHAKE_FAILURE = b"\x02\x28"


@dataclass(frozen=True, kw_only=True)
class OldTls(Service, speaks="old-tls"):
    """RC4, a small group, compression where it is offered, no secure renegotiation; a small key, signed with SHA-1 for
    many years.
    """

    port: int = 443
    self_signed: bool = False

    def prepare(self, host: Host) -> None:
        _chain(host.device.listed.asset_tag, self.self_signed)

    async def serve(self, talk: Talk) -> None:
        data = b""
        while len(data) < 5 or len(data) < 5 + int.from_bytes(data[3:5]):
            if not (piece := await talk.some()):
                return
            data += piece
            if data[0] != HANDSHAKE:  # SSL 2.0, or no TLS at all
                return
        await talk.say(_answer(data, _chain(talk.host.device.listed.asset_tag, self.self_signed)))
        while await talk.some():
            pass


def _answer(data: bytes, certificates: tuple[bytes, ...]) -> bytes:
    try:
        version, suites, compressions = _offer(data)
    except (IndexError, struct.error):
        return b""
    picked = next((suite for suite in SUITES if suite in suites), None)
    if version < TLS12 or picked is None:
        return _record(ALERT, HANDSHAKE_FAILURE)
    hello = (
        TLS12
        + os.urandom(32)
        + b"\0"
        + picked.to_bytes(2)
        + bytes([DEFLATE if DEFLATE in compressions else 0])
    )
    chain = b"".join(len(der).to_bytes(3) + der for der in certificates)
    messages = _message(SERVER_HELLO, hello) + _message(CERTIFICATE, len(chain).to_bytes(3) + chain)
    if picked == DHE:
        group = prime(GROUP_BITS)
        values = (group, 2, pow(2, int.from_bytes(os.urandom(32)), group))
        params = b"".join(len(v).to_bytes(2) + v for v in map(_bytes, values))
        # RSA with SHA-1, and no signature that would hold: nobody gets as far as to look.
        messages += _message(KEY_EXCHANGE, params + b"\x02\x01" + (128).to_bytes(2) + os.urandom(128))
    return _record(HANDSHAKE, messages + _message(DONE, b""))


def _offer(data: bytes) -> tuple[bytes, set[int], bytes]:
    """Version, suites and compression methods of a ClientHello (RFC 5246 section 7.4.1.2)."""
    if data[0] != HANDSHAKE or data[5] != CLIENT_HELLO:
        raise IndexError
    at = 44 + data[43]
    count = int.from_bytes(data[at : at + 2])
    suites = {int.from_bytes(data[i : i + 2]) for i in range(at + 2, at + 2 + count, 2)}
    at += 2 + count
    return data[9:11], suites, data[at + 1 : at + 1 + data[at]]


def _record(kind: int, data: bytes) -> bytes:
    return bytes([kind]) + TLS12 + len(data).to_bytes(2) + data


def _message(kind: int, data: bytes) -> bytes:
    return bytes([kind]) + len(data).to_bytes(3) + data


def _bytes(value: int) -> bytes:
    return value.to_bytes((value.bit_length() + 7) // 8)


@cache
def _chain(name: str, self_signed: bool) -> tuple[bytes, ...]:
    """A certificate of ten years for a key of 1024 bits, signed with SHA-1: by itself, or by an authority that nobody knows."""
    key = rsa_named(f"old TLS {name}", 1024)
    issuer = key if self_signed else rsa_named("factory authority", 2048)
    now = datetime.now(UTC).replace(microsecond=0)
    subject, authority = (
        x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, n)]) for n in (name, "Factory authority")
    )
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject if self_signed else authority)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=400))
        .not_valid_after(now + timedelta(days=3250))
        .sign(issuer, hashes.SHA256())
    )
    # The library makes no certificate with SHA-1 any more, so the algorithm (RFC 8017 appendix C) and signature are changed.
    told = certificate.tbs_certificate_bytes.replace(SHA256_WITH_RSA, SHA1_WITH_RSA)
    signature = issuer.sign(told, padding.PKCS1v15(), hashes.SHA1())
    whole = certificate.public_bytes(serialization.Encoding.DER).replace(SHA256_WITH_RSA, SHA1_WITH_RSA)
    return (whole[: -len(signature)] + signature,)
