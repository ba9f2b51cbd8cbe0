"""UDP services that attack the scanner, and SNMP agents that break their protocol."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

from pyasn1.codec.ber import decoder, encoder
from pysnmp.proto import api, rfc1902

from hardenprobe.demo_lab import mib
from hardenprobe.demo_lab.service import Answer, Host, Service
from hardenprobe.demo_lab.service_hostile import BINARY, GARBAGE, TEXT, XML_BOMB
from hardenprobe.demo_lab.service_snmp import Snmp

Attack = Callable[[bytes], bytes]
LONGEST = 9000  # bytes of one datagram
ATTACKS: dict[str, Attack] = {}


def attack(run: Attack) -> Attack:
    """Register an attack under its name, with dashes."""
    ATTACKS[run.__name__.replace("_", "-")] = run
    return run


@dataclass(frozen=True, kw_only=True)
class DatagramAttacker(Service, speaks="datagram-attacker"):
    """A port that answers every datagram with an attack.

    Attributes:
        does: A key of ATTACKS.
    """

    transport: ClassVar[Literal["tcp", "udp"]] = "udp"

    does: str

    def fault(self) -> str | None:
        return None if self.does in ATTACKS else f"does must be one of {', '.join(sorted(ATTACKS))}"

    def answerer(self, host: Host) -> Answer:
        return ATTACKS[self.does]


@attack
def garbage(data: bytes) -> bytes:
    return GARBAGE[:1400]


@attack
def deep_ber(data: bytes) -> bytes:
    """Four thousand sequences, one in the other, each of a length that is not stated (X.690 section 8.1.3.6)."""
    return b"\x30\x80" * (LONGEST // 2)


@attack
def long_ber(data: bytes) -> bytes:
    """The question comes back as an answer whose lengths are those of another world."""
    return b"\x30\x84\xff\xff\xff\xff\x02\x01\x01\x04\x84\x7f\xff\xff\xff" + data[:500]


@attack
def dns_loop(data: bytes) -> bytes:
    """Names that point at themselves and at each other (RFC 1035 section 4.1.4)."""
    pointers = b"\xc0\x0c" + b"\xc0\x10\xc0\x0e"
    record = b"\xc0\x0c" + struct.pack(">HHIH", 12, 1, 10, 2) + b"\xc0\x0c"
    return data[:2] + struct.pack(">5H", 0x8400, 1, 200, 200, 200) + pointers + b"\0\x0c\0\1" + record * 600


@attack
def dns_overlap(data: bytes) -> bytes:
    """An answer whose name lies in the header, with more behind its end: read by the lenient, no DNS to the strict."""
    record = b"\xc0\x04" + struct.pack(">HHIH", 12, 1, 10, 2) + b"\xc0\x0c"
    return data[:2] + struct.pack(">5H", 0x8400, 1, 1, 0, 0) + data[12:] + record + b"more"


@attack
def dns_texts(data: bytes) -> bytes:
    """Names and strings full of commands, as an answer to the very question."""
    label = bytes((len(TEXT),)) + TEXT
    name = label * 3 + b"\0"
    text = bytes((len(BINARY),)) + BINARY
    records = [
        data[12:-4] + struct.pack(">HHIH", 12, 1, 10, len(name)) + name,
        name + struct.pack(">HHIH", 16, 1, 10, len(text)) + text,
    ]
    return data[:2] + struct.pack(">5H", 0x8400, 1, len(records), 0, 0) + data[12:] + b"".join(records)


@attack
def xml_bomb(data: bytes) -> bytes:
    return XML_BOMB


@attack
def deep_xml(data: bytes) -> bytes:
    return b"<a>" * (LONGEST // 3)


@attack
def ssdp_texts(data: bytes) -> bytes:
    """Too many fields, and commands in those that count."""
    flood = b"".join(b"X-%d: 1\r\n" % n for n in range(600))
    told = b"".join(name + b": " + BINARY + b"\r\n" for name in (b"ST", b"USN", b"SERVER", b"LOCATION"))
    return b"HTTP/1.1 200 OK\r\n" + told + flood + b"\r\n"


@attack
def ntp_texts(data: bytes) -> bytes:
    text = BINARY + bytes(-len(BINARY) % 4)
    return data[:1] + bytes((0x82,)) + data[2:8] + struct.pack(">HH", 0, len(text)) + text


@attack
def tftp_texts(data: bytes) -> bytes:
    return b"\0\5\0\1" + TEXT + b"\0"


@attack
def netbios_texts(data: bytes) -> bytes:
    """255 names are stated, and two are there."""
    table = b"".join(TEXT[i : i + 15] + b"\0\4\0" for i in (0, 15))
    body = b"\xff" + table
    return (
        data[:2]
        + struct.pack(">5H", 0x8400, 0, 1, 0, 0)
        + data[12:46]
        + struct.pack(">HHIH", 0x21, 1, 0, len(body))
        + body
    )


# ---- SNMP agents


@dataclass(frozen=True, kw_only=True)
class SnmpElsewhere(Snmp, speaks="snmp-from-elsewhere"):
    """Answers as it should, from another port."""

    answers_from_new_port: ClassVar[bool] = True


@dataclass(frozen=True, kw_only=True)
class SnmpCopies(Snmp, speaks="snmp-copies"):
    """Answers as it should, a thousand times."""

    copies: ClassVar[int] = 1000


@dataclass(frozen=True, kw_only=True)
class SnmpOtherRequest(Snmp, speaks="snmp-other-request"):
    """Answers version 2c as if something else had been asked."""

    def answerer(self, host: Host) -> Answer:
        rightly = super().answerer(host)

        def answer(data: bytes) -> bytes | None:
            said = rightly(data)
            if said is None:
                return None
            codec: Any = api.PROTOCOL_MODULES[api.SNMP_VERSION_2C]
            message, _ = decoder.decode(said, asn1Spec=codec.Message())
            pdu = codec.apiMessage.get_pdu(message)
            codec.apiPDU.set_request_id(pdu, int(codec.apiPDU.get_request_id(pdu)) ^ 1)
            return bytes(encoder.encode(message))

        return answer


@dataclass(frozen=True, kw_only=True)
class SnmpEndless(Snmp, speaks="snmp-endless"):
    """An agent whose view has no end.

    Attributes:
        walks: Where a GetNext leads: to the same object, to one before it, or to one below it, for ever.
    """

    walks: Literal["same", "back", "down"]

    def table(self, host: Host) -> mib.Table:
        return _Endless(super().table(host), self.walks)


class _Endless(mib.Table):
    def __init__(self, table: mib.Table, walks: str) -> None:
        super().__init__({})
        self._table, self._walks = table, walks

    def get(self, oid: mib.Oid) -> Any | None:
        return self._table.get(oid)

    def knows(self, oid: mib.Oid) -> bool:
        return self._table.knows(oid)

    def after(self, oid: mib.Oid) -> tuple[mib.Oid, Any] | None:
        to = {"same": oid, "back": (1, 3, 6, 1, 2, 1, 1, 1, 0), "down": (*oid, 1)}[self._walks]
        return to, rfc1902.OctetString(TEXT)
