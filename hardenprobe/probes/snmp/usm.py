"""The User-based Security Model of SNMPv3, the asking side: keys, messages with a digest, encrypted PDUs.

pysnmp's codecs write the BER; cryptography does the rest.

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
from pyasn1.codec.ber import encoder
from pysnmp.proto.mpmod.rfc3412 import ScopedPDU, SNMPv3Message
from pysnmp.proto.secmod.rfc3414.service import UsmSecurityParameters

from hardenprobe.devices.credentials import User
from hardenprobe.errors import MalformedReply
from hardenprobe.probes.snmp.message import AUTHENTICATED, ENCRYPTED, REPORTABLE, Message, digest_offset
from hardenprobe.probes.snmp.response import REPORT, Response, pdu, to_request

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


def encode(user: User, level: str, engine: Engine, asked: Any, message_id: int) -> bytes:
    """Write a request to an engine at one security level."""
    flags = LEVELS[level]
    scoped = ScopedPDU()
    scoped[0], scoped[1] = engine.id, b""
    scoped.setComponentByPosition(2).getComponentByPosition(2).setComponentByType(asked.tagSet, asked)
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

    message = Message(data, message_id)
    stated = Engine(message.engine_id[:64], message.boots, message.time)
    if message.flags & AUTHENTICATED:
        _check_digest(user, engine.id, message)
    scoped = message.scoped(lambda sealed: decrypt(user, stated, engine.id, message.salt, sealed))
    tag, request_id, found = pdu(scoped)
    if tag == REPORT:
        return Reply(stated, report=_report(found.first_name or ""))
    if message.flags & LEVELS["authPriv"] != LEVELS[level] or stated.id != engine.id:
        raise MalformedReply("SNMPv3 response that is not protected as the request was")
    return Reply(stated, response=to_request(message_id, tag, request_id, found))


def _report(oid: str) -> int:
    number = oid.removeprefix(USM_STATS).removesuffix(".0")
    return int(number) if number.isdecimal() and len(number) < 4 else 0


def _digest(user: User, engine_id: bytes, blanked: bytes) -> bytes:
    if user.auth is None or user.auth_password is None:
        raise MalformedReply("SNMPv3 digest for a user without one")
    name, length = HASHES[user.auth]
    return hmac.digest(localized_key(user.auth_password.reveal(), name, engine_id), blanked, name)[:length]


def _check_digest(user: User, engine_id: bytes, message: Message) -> None:
    data, at, digest = message.data, message.digest_at, message.digest
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
        MalformedReply: The salt or the length fits no such cipher.
    """
    if len(salt) != 8 or user.priv == "DES" and len(sealed) % 8:
        raise MalformedReply("SNMPv3 reply that fits no such cipher")
    cipher = _cipher(user, stated, engine_id, salt).decryptor()
    return cipher.update(sealed) + cipher.finalize()


def _cipher(user: User, at: Engine, engine_id: bytes, salt: bytes) -> Cipher[Any]:
    key = _privacy_key(user, engine_id)
    if user.priv == "DES":  # section 8.1.1: three equal keys make the triple cipher the single one
        vector = bytes(a ^ b for a, b in zip(key[8:16], salt, strict=True))
        return Cipher(TripleDES(key[:8] * 3), modes.CBC(vector))
    vector = at.boots.to_bytes(4, "big") + at.time.to_bytes(4, "big") + salt
    return Cipher(algorithms.AES(key[:16]), modes.CFB(vector))
