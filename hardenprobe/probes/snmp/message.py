"""Read the message of SNMPv3 with the security parameters of USM, without I/O and without keys.

Source: RFC 3412 section 6, RFC 3414 section 2.4.
"""

from __future__ import annotations

from collections.abc import Callable

from hardenprobe.errors import MalformedReply
from hardenprobe.probes.snmp.ber import OCTETS, SEQUENCE, Elements
from hardenprobe.probes.snmp.response import ended

AUTHENTICATED, ENCRYPTED, REPORTABLE = 1, 2, 4  # msgFlags, RFC 3412 section 6.4
LEAST_SIZE, LONGEST_NAME = 484, 32  # RFC 3412 section 6, RFC 3414 section 2.4
LARGEST = 2**31 - 1


def _nothing(sealed: bytes) -> bytes:
    raise MalformedReply("SNMPv3 reply that is encrypted")


class Message:
    """A message of version 3.

    Attributes:
        engine_id, boots, time: Of the authoritative engine, as the message states it.
        digest: msgAuthenticationParameters, which begin at `digest_at` of `data`.
        salt: msgPrivacyParameters.

    Args:
        message_id: Of our question.

    Raises:
        MalformedReply: No BER, no SNMPv3, or the answer to another question.
    """

    def __init__(self, data: bytes, message_id: int) -> None:
        self.data = data
        message = Elements(data).inside(SEQUENCE)
        if message.integer() != 3:
            raise MalformedReply("SNMP reply of another version")
        header = message.inside(SEQUENCE)
        stated = header.integer(0)
        header.integer(LEAST_SIZE)
        flags = header.content(OCTETS)
        header.integer(1)  # the security model
        ended(header)
        parameters = message.inside(OCTETS)
        security = parameters.inside(SEQUENCE)
        self.engine_id = security.content(OCTETS)
        self.boots, self.time = security.integer(0, LARGEST), security.integer(0, LARGEST)
        name = security.content(OCTETS)
        digest = security.inside(OCTETS)
        self.digest_at, self.digest = digest.at, data[digest.at : digest.end]
        self.salt = security.content(OCTETS)
        ended(security)
        sealed = message.tag() == OCTETS
        self._data = message.inside(OCTETS if sealed else SEQUENCE)
        ended(message)
        if len(flags) != 1 or len(name) > LONGEST_NAME:
            raise MalformedReply("SNMPv3 reply with a header that is none")
        if stated != message_id:
            raise MalformedReply("SNMPv3 reply to another message")
        self.flags = flags[0]
        if sealed != bool(self.flags & ENCRYPTED):
            raise MalformedReply("SNMPv3 reply whose flags are wrong")

    def scoped(self, decrypt: Callable[[bytes], bytes] = _nothing) -> Elements:
        """The scoped PDU, from its PDU on.

        Args:
            decrypt: Opens what is encrypted.

        Raises:
            MalformedReply: It is none, or `decrypt` refuses it.
        """
        scoped = Elements(self.data, self._data.at, self._data.end)
        if self.flags & ENCRYPTED:
            scoped = Elements(decrypt(self.data[scoped.at : scoped.end])).inside(SEQUENCE)
        scoped.content(OCTETS)  # contextEngineID
        scoped.content(OCTETS)  # contextName
        return scoped


def digest_offset(data: bytes) -> int:
    """Where msgAuthenticationParameters begins in any message; a digest is made with these octets zero.

    Raises:
        MalformedReply: No message of version 3.
    """
    message = Elements(data).inside(SEQUENCE)
    message.integer()  # msgVersion
    message.inside(SEQUENCE)  # msgGlobalData
    security = message.inside(OCTETS).inside(SEQUENCE)
    for _ in range(4):
        security.inside(security.tag())
    return security.inside(OCTETS).at
