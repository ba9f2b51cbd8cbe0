"""The User-based Security Model of SNMPv3, the asking side: keys, messages with a digest, encrypted PDUs.

pysnmp's codecs write and read the BER; cryptography does the rest.

Source: RFC 3412 section 6 (message), RFC 3414 sections 2.6 and A.2 (keys), 6 and 7 (digests), 8 (DES-CBC), RFC 7860
section 4 (SHA-2 digests), RFC 3826 section 3 (AES-128 CFB).
"""

from __future__ import annotations

import hashlib
import hmac
import os
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from cryptography.hazmat.decrepit.ciphers.algorithms import TripleDES
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from pyasn1.codec.ber import decoder, encoder
from pysnmp.proto import api
from pysnmp.proto.mpmod.rfc3412 import ScopedPDU, SNMPv3Message
from pysnmp.proto.secmod.rfc3414.service import UsmSecurityParameters

from hardenprobe.devices.credentials import User
from hardenprobe.errors import MalformedReply
from hardenprobe.probes.snmp.pdu import Response, guarded, response

AUTHENTICATED, ENCRYPTED, REPORTABLE = 1, 2, 4  # msgFlags, RFC 3412 section 6.4
LEVELS = {"noAuthNoPriv": 0, "authNoPriv": AUTHENTICATED, "authPriv": AUTHENTICATED | ENCRYPTED}
USM_STATS = "1.3.6.1.6.3.15.1.1."  # RFC 3414 section 5

# Hash function, and octets of the digest that a message carries.
HASHES = {
    "MD5": ("md5", 12),
    "SHA-1": ("sha1", 12),
    "SHA-224": ("sha224", 16),
    "SHA-256": ("sha256", 24),
    "SHA-384": ("sha384", 32),
    "SHA-512": ("sha512", 48),
}
_v2: Any = api.PROTOCOL_MODULES[api.SNMP_VERSION_2C]


@dataclass(frozen=True)
class Engine:
    """An authoritative engine as it stated itself."""

    id: bytes
    boots: int
    time: int


@dataclass(frozen=True)
class Reply:
    """The answer: a report, or a response.

    Attributes:
        report: The usmStats object's number below USM_STATS, None for a response.
        engine: As this message states it.
    """

    engine: Engine
    report: int | None = None
    response: Response | None = None


@lru_cache(maxsize=64)
def _stretched(password: bytes, name: str) -> bytes:
    return hashlib.new(name, (password * (1048576 // len(password) + 1))[:1048576]).digest()


def localized_key(password: bytes, name: str, engine_id: bytes) -> bytes:
    """The key of one user at one engine (RFC 3414 sections 2.6 and A.2).

    >>> localized_key(b"maplesyrup", "md5", bytes(11) + b"\\x02").hex()
    '526f5eed9fcce26f8964c2930787d82b'
    """
    key = _stretched(password, name)
    return hashlib.new(name, key + engine_id + key).digest()


def encode(user: User, level: str, engine: Engine, pdu: Any, message_id: int) -> bytes:
    """Write a request to an engine at one security level."""
    flags = LEVELS[level]
    scoped = ScopedPDU()
    scoped[0], scoped[1] = engine.id, b""
    scoped.setComponentByPosition(2).getComponentByPosition(2).setComponentByType(pdu.tagSet, pdu)
    message, salt = SNMPv3Message(), b""
    message[0] = 3
    data = message.setComponentByPosition(3).getComponentByPosition(3)
    if flags & ENCRYPTED:
        salt, sealed = encrypt(user, engine, bytes(encoder.encode(scoped)))
        data.setComponentByPosition(1, sealed)
    else:
        data.setComponentByPosition(0, scoped)
    header = message.setComponentByPosition(1).getComponentByPosition(1)
    for i, value in enumerate((message_id, 65507, bytes([flags | REPORTABLE]), 3)):
        header.setComponentByPosition(i, value)
    blank = bytes(HASHES[user.auth][1]) if flags & AUTHENTICATED and user.auth else b""
    security = UsmSecurityParameters()
    for i, part in enumerate((engine.id, engine.boots, engine.time, user.name.encode(), blank, salt)):
        security.setComponentByPosition(i, part)
    message.setComponentByPosition(2, encoder.encode(security))
    whole = bytes(encoder.encode(message))
    if not blank:
        return whole
    at = digest_offset(whole)
    return whole[:at] + _digest(user, engine.id, whole) + whole[at + len(blank) :]


def decode(user: User, level: str, engine: Engine, data: bytes, message_id: int) -> Reply:
    """Read the answer. A response must be protected as the request was; only a report may come bare.

    Raises:
        MalformedReply: No BER, no SNMPv3, another message, a digest that is not right, or bare where it must not be.
    """

    def read() -> Reply:
        message, _ = decoder.decode(data, asn1Spec=SNMPv3Message())
        if int(message[0]) != 3 or int(message[1][0]) != message_id:
            raise MalformedReply("SNMPv3 reply to another message")
        security, _ = decoder.decode(bytes(message[2]), asn1Spec=UsmSecurityParameters())
        flags = bytes(message[1][2])[0]
        stated = Engine(bytes(security[0])[:64], int(security[1]), int(security[2]))
        if flags & AUTHENTICATED:
            _check_digest(user, engine.id, data, bytes(security[4]))
        scoped = message[3].getComponent()
        if flags & ENCRYPTED:
            plain = decrypt(user, stated, engine.id, bytes(security[5]), bytes(scoped))
            scoped, _ = decoder.decode(plain, asn1Spec=ScopedPDU())
        pdu = scoped[2].getComponent()
        if pdu.isSameTypeWith(_v2.ReportPDU()):
            return Reply(stated, report=_report(str(_v2.apiPDU.get_varbinds(pdu)[0][0])))
        if flags & LEVELS["authPriv"] != LEVELS[level] or stated.id != engine.id:
            raise MalformedReply("SNMPv3 response that is not protected as the request was")
        return Reply(stated, response=response("3", pdu, message_id))

    return guarded(read)


def _report(oid: str) -> int:
    number = oid.removeprefix(USM_STATS).removesuffix(".0")
    return int(number) if number.isdecimal() and len(number) < 4 else 0


def _digest(user: User, engine_id: bytes, blanked: bytes) -> bytes:
    if user.auth is None or user.auth_password is None:
        raise MalformedReply("SNMPv3 digest for a user without one")
    name, length = HASHES[user.auth]
    return hmac.digest(localized_key(user.auth_password.reveal(), name, engine_id), blanked, name)[:length]


def _check_digest(user: User, engine_id: bytes, data: bytes, digest: bytes) -> None:
    at = digest_offset(data)
    blanked = data[:at] + bytes(len(digest)) + data[at + len(digest) :]
    if not hmac.compare_digest(_digest(user, engine_id, blanked), digest):
        raise MalformedReply("SNMPv3 reply with a digest that is not right")


def _privacy_key(user: User, engine_id: bytes) -> bytes:
    if user.auth is None or user.priv_password is None:
        raise MalformedReply("SNMPv3 encryption for a user without a key")
    return localized_key(user.priv_password.reveal(), HASHES[user.auth][0], engine_id)


def encrypt(user: User, engine: Engine, plain: bytes) -> tuple[bytes, bytes]:
    """Encrypt a scoped PDU.

    Returns:
        msgPrivacyParameters and the encrypted octets.
    """
    salt = engine.boots.to_bytes(4, "big") + os.urandom(4) if user.priv == "DES" else os.urandom(8)
    cipher = _cipher(user, engine, engine.id, salt).encryptor()
    padded = plain + bytes(-len(plain) % 8) if user.priv == "DES" else plain
    return salt, cipher.update(padded) + cipher.finalize()


def decrypt(user: User, stated: Engine, engine_id: bytes, salt: bytes, sealed: bytes) -> bytes:
    """Decrypt a scoped PDU.

    Raises:
        ValueError: The salt or the length fits no such cipher.
    """
    if len(salt) != 8:
        raise ValueError("salt")
    cipher = _cipher(user, stated, engine_id, salt).decryptor()
    return cipher.update(sealed) + cipher.finalize()


def _cipher(user: User, at: Engine, engine_id: bytes, salt: bytes) -> Cipher[Any]:
    key = _privacy_key(user, engine_id)
    if user.priv == "DES":  # section 8.1.1: three equal keys make the triple cipher the single one
        vector = bytes(a ^ b for a, b in zip(key[8:16], salt, strict=True))
        return Cipher(TripleDES(key[:8] * 3), modes.CBC(vector))
    vector = at.boots.to_bytes(4, "big") + at.time.to_bytes(4, "big") + salt
    return Cipher(algorithms.AES(key[:16]), modes.CFB(vector))


def digest_offset(data: bytes) -> int:
    """Where msgAuthenticationParameters begins; a digest is made over the message with these octets zero.

    Raises:
        IndexError: The bytes end too early.
    """
    at = _inside(data, 0)  # the message
    at = _after(data, _after(data, at))  # past msgVersion and msgGlobalData
    at = _inside(data, _inside(data, at))  # the sequence inside the octet string
    for _ in range(4):
        at = _after(data, at)
    return _inside(data, at)


def _length(data: bytes, at: int) -> tuple[int, int]:
    """Length of the element at `at`, and where its content begins (X.690 section 8.1.3)."""
    first = data[at + 1]
    if first < 0x80:
        return first, at + 2
    count = first & 0x7F
    return int.from_bytes(data[at + 2 : at + 2 + count], "big"), at + 2 + count


def _inside(data: bytes, at: int) -> int:
    return _length(data, at)[1]


def _after(data: bytes, at: int) -> int:
    length, begin = _length(data, at)
    return begin + length
