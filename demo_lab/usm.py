"""The User-based Security Model of SNMPv3, the answering side.

Sources: RFC 3412 section 6 (message), RFC 3414 sections 3.2 (processing), 6 (HMAC-SHA-96) and A.2 (password to key),
RFC 7860 section 4 (HMAC-192-SHA-256), RFC 3826 section 3 (AES-128 CFB).
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Literal

from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from pyasn1.codec.ber import decoder, encoder
from pysnmp.proto import api, rfc1902
from pysnmp.proto.mpmod.rfc3412 import ScopedPDU, SNMPv3Message
from pysnmp.proto.secmod.rfc3414.service import UsmSecurityParameters

from hardenprobe.probes.snmp.message import digest_offset

AUTHENTICATED, ENCRYPTED, REPORTABLE = 1, 2, 4  # msgFlags, RFC 3412 section 6.4
WINDOW_S = 150  # RFC 3414 section 2.2.3
MOST_BYTES = 65507

# usmStats of RFC 3414 section 5: the last arc but one below 1.3.6.1.6.3.15.1.1.
UNSUPPORTED_LEVEL, NOT_IN_WINDOW, UNKNOWN_USER, UNKNOWN_ENGINE, WRONG_DIGEST, CANNOT_DECRYPT = range(1, 7)
AUTHORIZATION_ERROR = 16  # RFC 3416 section 3

# Hash function and length of the truncated digest.
HASHES = {"MD5": ("md5", 12), "SHA-1": ("sha1", 12), "SHA-256": ("sha256", 24)}
LEVELS = {"noAuthNoPriv": 0, "authNoPriv": AUTHENTICATED, "authPriv": AUTHENTICATED | ENCRYPTED}

_v2: Any = api.PROTOCOL_MODULES[api.SNMP_VERSION_2C]
Level = Literal["noAuthNoPriv", "authNoPriv", "authPriv"]
Respond = Callable[[Any], Any | None]


@dataclass(frozen=True, kw_only=True)
class User:
    """A user of the lab's agents. Its passwords are demonstration data and protect nothing.

    Attributes:
        privacy_password: None for a user that cannot encrypt.
        lowest: The lowest level at which the agent still shows values to this user.
    """

    name: str
    auth: Literal["MD5", "SHA-1", "SHA-256"] = "SHA-256"
    password: str
    privacy_password: str | None = None
    lowest: Level = "authPriv"


@lru_cache(maxsize=64)
def password_key(password: str, name: str) -> bytes:
    """Stretch a password over one megabyte (RFC 3414 A.2.2)."""
    text = password.encode()
    return hashlib.new(name, (text * (1048576 // len(text) + 1))[:1048576]).digest()


def localized_key(password: str, name: str, engine_id: bytes) -> bytes:
    """The key of one user at one engine (RFC 3414 section 2.6).

    >>> localized_key("maplesyrup", "sha1", bytes(11) + b"\\x02").hex()
    '6695febc9288e36282235fc7151f128497b38f3f'
    """
    key = password_key(password, name)
    return hashlib.new(name, key + engine_id + key).digest()


@dataclass
class _Message:
    """A message taken apart."""

    id: int
    flags: int
    engine_id: bytes
    boots: int
    time: int
    user: bytes
    digest: bytes
    salt: bytes
    data: Any


@dataclass
class Engine:
    """One authoritative engine.

    Attributes:
        respond: Makes the response to a request PDU.
        boots: snmpEngineBoots.
    """

    engine_id: bytes
    users: tuple[User, ...]
    respond: Respond
    boots: int = 1
    began: float = field(default_factory=time.monotonic)
    reports: dict[int, int] = field(default_factory=dict)

    def answer(self, data: bytes) -> bytes | None:
        """Answer one datagram; None is silence.

        Raises:
            PyAsn1Error, ValueError, IndexError: The bytes are no SNMPv3 message.
        """
        message = _read(data)
        wants_auth, wants_privacy = message.flags & AUTHENTICATED, message.flags & ENCRYPTED
        if wants_privacy and not wants_auth:
            return None  # RFC 3412 section 7.2: an invalid message
        if message.engine_id != self.engine_id:
            return self._report(message, UNKNOWN_ENGINE)
        user = next((u for u in self.users if u.name.encode() == message.user), None)
        if user is None:
            return self._report(message, UNKNOWN_USER)
        if wants_privacy and user.privacy_password is None:
            return self._report(message, UNSUPPORTED_LEVEL)
        if wants_auth:
            if not self._authentic(data, message, user):
                return self._report(message, WRONG_DIGEST)
            if message.boots != self.boots or abs(self._time() - message.time) > WINDOW_S:
                return self._report(message, NOT_IN_WINDOW, user)
        scoped = message.data.getComponent()
        if wants_privacy:
            try:
                scoped, _ = decoder.decode(self._decrypt(bytes(scoped), message, user), asn1Spec=ScopedPDU())
            except Exception:  # noqa: BLE001 - the wrong key makes any bytes, and the decoder may raise anything
                return self._report(message, CANNOT_DECRYPT)
        request = scoped[2].getComponent()
        if message.flags & LEVELS["authPriv"] < LEVELS[user.lowest]:
            response = _v2.apiPDU.get_response(request)
            _v2.apiPDU.set_varbinds(response, _v2.apiPDU.get_varbinds(request))
            _v2.apiPDU.set_error_status(response, AUTHORIZATION_ERROR)
        else:
            response = self.respond(request)
        if response is None:
            return None
        return self._write(message, response, message.flags & LEVELS["authPriv"], user, scoped)

    def _time(self) -> int:
        return int(time.monotonic() - self.began) + 1

    def _authentic(self, data: bytes, message: _Message, user: User) -> bool:
        _, length = HASHES[user.auth]
        if len(message.digest) != length:
            return False
        at = digest_offset(data)
        blank = data[:at] + bytes(length) + data[at + length :]
        return hmac.compare_digest(self._digest(blank, user), message.digest)

    def _digest(self, data: bytes, user: User) -> bytes:
        name, length = HASHES[user.auth]
        return hmac.digest(localized_key(user.password, name, self.engine_id), data, name)[:length]

    def _cipher(self, user: User, boots: int, engine_time: int, salt: bytes) -> Cipher[modes.CFB]:
        name, _ = HASHES[user.auth]
        key = localized_key(user.privacy_password or "", name, self.engine_id)[:16]
        vector = boots.to_bytes(4, "big") + engine_time.to_bytes(4, "big") + salt
        return Cipher(algorithms.AES(key), modes.CFB(vector))

    def _decrypt(self, data: bytes, message: _Message, user: User) -> bytes:
        cipher = self._cipher(user, message.boots, message.time, message.salt).decryptor()
        return cipher.update(data) + cipher.finalize()

    def _report(self, message: _Message, which: int, user: User | None = None) -> bytes | None:
        """Count a fault, and report it where the sender asks for reports; authenticated only where it was so."""
        self.reports[which] = self.reports.get(which, 0) + 1
        if not message.flags & REPORTABLE:
            return None
        report = _v2.ReportPDU()
        _v2.apiPDU.set_defaults(report)
        _v2.apiPDU.set_request_id(report, message.id)
        oid = (1, 3, 6, 1, 6, 3, 15, 1, 1, which, 0)
        _v2.apiPDU.set_varbinds(report, [(oid, rfc1902.Counter32(self.reports[which]))])
        return self._write(message, report, AUTHENTICATED if user else 0, user, None)

    def _write(self, message: _Message, pdu: Any, flags: int, user: User | None, asked: Any) -> bytes:
        scoped = ScopedPDU()
        scoped[0] = asked[0] if asked is not None else self.engine_id
        scoped[1] = asked[1] if asked is not None else b""
        scoped.setComponentByPosition(2).getComponentByPosition(2).setComponentByType(pdu.tagSet, pdu)
        now, salt, digest = self._time(), b"", b""
        out = SNMPv3Message()
        out[0] = 3
        if user and flags & ENCRYPTED:
            salt = secrets.token_bytes(8)
            cipher = self._cipher(user, self.boots, now, salt).encryptor()
            sealed = cipher.update(encoder.encode(scoped)) + cipher.finalize()
            out.setComponentByPosition(3).getComponentByPosition(3).setComponentByPosition(1, sealed)
        else:
            out.setComponentByPosition(3).getComponentByPosition(3).setComponentByPosition(0, scoped)
        if user and flags & AUTHENTICATED:
            digest = bytes(HASHES[user.auth][1])
        header = out.setComponentByPosition(1).getComponentByPosition(1)
        for i, value in enumerate((message.id, MOST_BYTES, bytes([flags]), 3)):
            header.setComponentByPosition(i, value)
        security = UsmSecurityParameters()
        for i, part in enumerate((self.engine_id, self.boots, now, message.user, digest, salt)):
            security.setComponentByPosition(i, part)
        out.setComponentByPosition(2, encoder.encode(security))
        data = bytes(encoder.encode(out))
        if user and digest:
            at = digest_offset(data)
            data = data[:at] + self._digest(data, user) + data[at + len(digest) :]
        return data


def _read(data: bytes) -> _Message:
    outer, _ = decoder.decode(data, asn1Spec=SNMPv3Message())
    security, _ = decoder.decode(bytes(outer[2]), asn1Spec=UsmSecurityParameters())
    return _Message(
        id=int(outer[1][0]),
        flags=bytes(outer[1][2])[0],
        engine_id=bytes(security[0]),
        boots=int(security[1]),
        time=int(security[2]),
        user=bytes(security[3]),
        digest=bytes(security[4]),
        salt=bytes(security[5]),
        data=outer[3],
    )
