"""Messages of DNS, NetBIOS, NTP, TFTP and SMB, written and read with scapy.

scapy takes a second to import, so its layers are imported by the first call, and only those that are needed. What a
device sends is hostile: it is read under a cap of bytes and a cap of time, and whatever a dissector raises becomes
MalformedReply.
"""

from __future__ import annotations

import asyncio
import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from ipaddress import ip_address
from types import FrameType, SimpleNamespace
from typing import Any, TypeVar

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import readable
from hardenprobe.network.scapy_loader import scapy_module

T = TypeVar("T")

SIZE_CAP = 9000  # bytes; RFC 6762 section 17 allows no larger packet, and no other protocol here comes near
TIME_CAP = 0.5  # seconds to take one message apart
_LAYERS = ("dns", "llmnr", "netbios", "ntp", "smb", "smb2", "tftp")

DNS_TYPES = {
    "A": 1,
    "PTR": 12,
    "TXT": 16,
    "AAAA": 28,
    "ANY": 255,
}  # RFC 1035 sections 3.2.2 and 3.2.3, RFC 3596
SMB1_DIALECT = "NT LM 0.12"
SMB2_DIALECTS = {
    0x0202: "SMB 2.0.2", 0x0210: "SMB 2.1", 0x0300: "SMB 3.0", 0x0302: "SMB 3.0.2", 0x0311: "SMB 3.1.1"
}  # fmt: skip
"""MS-SMB2 section 2.2.3, Dialects."""


@cache
def _layers() -> SimpleNamespace:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about ciphers of layers that are not used here
        return SimpleNamespace(**{name: scapy_module(f"layers.{name}") for name in _LAYERS})


async def ready() -> None:
    """Import scapy beside the loop, which has other devices' timers to keep."""
    await asyncio.to_thread(_layers)


class _TooLong(BaseException):
    """The time cap; no Exception, since dissectors catch those."""


def _guarded(data: bytes, what: str, read: Callable[[SimpleNamespace], T]) -> T:
    """Run a dissector over hostile bytes.

    Raises:
        MalformedReply: The bytes are too many, take too long, or are not what they should be.
    """
    if len(data) > SIZE_CAP:
        raise MalformedReply(f"{what} of {len(data)} bytes")
    layers = _layers()
    until = time.monotonic() + TIME_CAP

    def watch(frame: FrameType, event: str, arg: Any) -> None:
        if time.monotonic() > until:
            raise _TooLong

    before = sys.getprofile()
    sys.setprofile(watch)
    try:
        return read(layers)
    except MalformedReply:
        raise
    except _TooLong:
        raise MalformedReply(f"{what} that takes too long to read") from None
    except Exception as exc:
        raise MalformedReply(f"{what} that cannot be read: {type(exc).__name__}") from exc
    finally:
        sys.setprofile(before)


# ---- DNS, as multicast DNS and LLMNR use it


@dataclass(frozen=True)
class Record:
    """One resource record.

    Attributes:
        data: What a PTR points at, device text; the address of an A or AAAA; "" for other types.
        strings: The strings of a TXT record.
    """

    name: str
    type: int
    data: str = ""
    strings: tuple[bytes, ...] = ()


def encode_mdns(name: str, kind: str, ident: int, *, unicast: bool = False) -> bytes:
    """Write one multicast-DNS question.

    Args:
        kind: Key of DNS_TYPES.
        unicast: Set the unicast-response bit (RFC 6762 section 5.4).

    Source: RFC 1035 section 4.1; RFC 6762 section 18.
    """
    dns = _layers().dns
    question = dns.DNSQR(qname=name, qtype=DNS_TYPES[kind], unicastresponse=int(unicast), qclass=1)
    return bytes(dns.DNS(id=ident, rd=0, qd=[question]))


def decode_mdns(data: bytes, ident: int) -> tuple[Record, ...]:
    """Read the records of a response. The id is ours, or 0 as multicast responders write it.

    Raises:
        MalformedReply: No DNS, no response, or the answer to another question.
    """
    return _guarded(data, "mDNS reply", lambda layers: _records(layers.dns.DNS(data), (ident, 0)))


def encode_llmnr(name: str, kind: str, ident: int) -> bytes:
    """Write one LLMNR question. Source: RFC 4795 section 2.1.1."""
    layers = _layers()
    question = layers.dns.DNSQR(qname=name, qtype=DNS_TYPES[kind])
    return bytes(layers.llmnr.LLMNRQuery(id=ident, qd=[question]))


def decode_llmnr(data: bytes, ident: int) -> tuple[Record, ...]:
    """Read the records of a response.

    Raises:
        MalformedReply: No LLMNR, no response, or the answer to another question.
    """
    return _guarded(data, "LLMNR reply", lambda layers: _records(layers.llmnr.LLMNRResponse(data), (ident,)))


def _records(message: Any, idents: tuple[int, ...]) -> tuple[Record, ...]:
    if not (message.qr == 1 and message.opcode == 0):
        raise MalformedReply("DNS message that is no response")
    if message.id not in idents:
        raise MalformedReply("DNS response to another question")
    return tuple(_record(r) for part in (message.an, message.ns, message.ar) for r in part or ())


def _record(record: Any) -> Record:
    name, kind = readable(bytes(record.rrname)), int(record.type)
    data = getattr(record, "rdata", b"")
    if kind == DNS_TYPES["TXT"]:
        strings = data if isinstance(data, list) else [data]
        return Record(name, kind, strings=tuple(bytes(s) for s in strings))
    if kind in (DNS_TYPES["A"], DNS_TYPES["AAAA"]):
        return Record(name, kind, str(ip_address(data)) if isinstance(data, str) else "")
    return Record(name, kind, readable(data) if kind == DNS_TYPES["PTR"] and isinstance(data, bytes) else "")


# ---- NetBIOS name service


def encode_node_status(ident: int) -> bytes:
    """Write one node status request for the name that everybody has. Source: RFC 1002 section 4.2.17."""
    netbios = _layers().netbios
    header = netbios.NBNSHeader(NAME_TRN_ID=ident, NM_FLAGS=0, QDCOUNT=1)
    return bytes(header / netbios.NBNSNodeStatusRequest())


def decode_node_status(data: bytes, ident: int) -> tuple[str, ...]:
    """Read the names of a node status response. Source: RFC 1002 section 4.2.18.

    Raises:
        MalformedReply: No response, the answer to another question, or no node status.
    """

    def read(layers: SimpleNamespace) -> tuple[str, ...]:
        message = layers.netbios.NBNSHeader(data)
        if (1, ident) != (message.RESPONSE, message.NAME_TRN_ID):
            raise MalformedReply("NetBIOS message that is no response to our request")
        status = message.payload
        if not isinstance(status, layers.netbios.NBNSNodeStatusResponse):
            raise MalformedReply("NetBIOS response without a node status")
        return tuple(readable(bytes(n.NETBIOS_NAME).rstrip(b" \0")) for n in status.NODE_NAME)

    return _guarded(data, "NetBIOS reply", read)


# ---- NTP modes 6 and 7


def encode_ntp(mode: int, sequence: int) -> bytes:
    """Write a small query that is not for the time.

    Args:
        mode: 6: read the system variables (RFC 9327 section 3); 7: list the peers, which is the smallest request.
        sequence: 1 to 65535; mode 7 has none.
    """
    ntp = _layers().ntp
    if mode == 6:
        return bytes(ntp.NTPControl(version=2, op_code=2, sequence=sequence))
    return bytes(ntp.NTPPrivate(version=2, mode=7, implementation=3, request_code=0))


def decode_ntp(data: bytes, mode: int, sequence: int) -> str:
    """Read what a reply says of itself.

    Raises:
        MalformedReply: Another mode, no response, or the answer to another query.
    """

    def read(layers: SimpleNamespace) -> str:
        if mode == 6:
            reply = layers.ntp.NTPControl(data)
            if (reply.mode, reply.response, reply.sequence) != (6, 1, sequence):
                raise MalformedReply("NTP message that is no response to our control query")
            return "an error" if reply.err else readable(bytes(reply.data)[: int(reply.count)], 200)
        private = layers.ntp.NTPPrivate(data)
        if len(data) < 8 or (private.mode, private.response) != (7, 1):
            raise MalformedReply("NTP message that is no response to our private query")
        return f"{int(private.nb_items)} peers, error {int(private.err)}"

    return _guarded(data, "NTP reply", read)


# ---- TFTP

TFTP_REPLIES = {3: "DATA", 5: "ERROR", 6: "OACK"}  # RFC 1350 section 5, RFC 2347


def encode_read_request(name: str) -> bytes:
    """Write one read request. Source: RFC 1350 section 5."""
    tftp = _layers().tftp
    return bytes(tftp.TFTP() / tftp.TFTP_RRQ(filename=name.encode(), mode=b"octet"))


def decode_tftp(data: bytes) -> str:
    """Read a reply to a read request.

    Raises:
        MalformedReply: Nothing that a server says.
    """

    def read(layers: SimpleNamespace) -> str:
        message = layers.tftp.TFTP(data)
        if len(data) < 4 or message.op not in TFTP_REPLIES:
            raise MalformedReply("TFTP message that no server sends")
        if message.op == 5:
            error = message.payload
            return f"ERROR {int(error.errorcode)} {readable(bytes(error.errormsg), 80)}".rstrip()
        return TFTP_REPLIES[message.op]

    return _guarded(data, "TFTP reply", read)


# ---- SMB negotiation, with the four bytes of length before each message


def encode_smb1() -> bytes:
    """Write a negotiation that offers NT LM 0.12 alone. Source: MS-CIFS section 2.2.4.52.1."""
    layers = _layers()
    header = layers.smb.SMB_Header(Flags2="UNICODE+NT_STATUS+LONG_NAMES", PIDLow=1, MID=1)
    body = layers.smb.SMBNegotiate_Request(Dialects=[layers.smb.SMB_Dialect(DialectString=SMB1_DIALECT)])
    return bytes(layers.netbios.NBTSession() / header / body)


def encode_smb2(salt: bytes) -> bytes:
    """Write a negotiation that offers every dialect of versions 2 and 3.

    Args:
        salt: 32 random bytes (MS-SMB2 section 2.2.3.1.1).

    Source: MS-SMB2 section 2.2.3.
    """
    smb2, netbios = _layers().smb2, _layers().netbios
    integrity = smb2.SMB2_Preauth_Integrity_Capabilities(HashAlgorithms=["SHA-512"], Salt=salt)
    body = smb2.SMB2_Negotiate_Protocol_Request(
        Dialects=list(SMB2_DIALECTS),
        SecurityMode=1,
        NegotiateContexts=[smb2.SMB2_Negotiate_Context() / integrity],
    )
    return bytes(netbios.NBTSession() / smb2.SMB2_Header() / body)


def decode_smb1(data: bytes) -> tuple[str | None, bool | None]:
    """Read the answer to a negotiation of version 1, without its length bytes.

    Returns:
        The dialect agreed on and whether signing is required; both None where the server took none.

    Source: MS-CIFS section 2.2.4.52.2 (DialectIndex 0xFFFF: none; SecurityMode 0x08: signatures required).

    Raises:
        MalformedReply: No answer to a negotiation of version 1.
    """

    def read(layers: SimpleNamespace) -> tuple[str | None, bool | None]:
        header = layers.smb.SMB_Header(data)
        if header.Start != b"\xffSMB" or header.Command != 0x72 or not int(header.Flags) & 0x80:
            raise MalformedReply("no answer to an SMB 1 negotiation")
        words = data[32]
        index = int.from_bytes(data[33:35], "little")
        if int(header.Status) or words == 0 or index == 0xFFFF:
            return None, None
        if words != 17 or index != 0:
            raise MalformedReply("SMB 1 negotiation that agrees on what was not offered")
        return SMB1_DIALECT, bool(data[35] & 0x08)

    return _guarded(data, "SMB reply", read)


def decode_smb2(data: bytes) -> tuple[str | None, bool | None]:
    """Read the answer to a negotiation of versions 2 and 3, without its length bytes.

    Returns:
        The dialect agreed on and whether signing is required; both None where the server took none.

    Source: MS-SMB2 section 2.2.4 (SecurityMode 0x0002: signing required).

    Raises:
        MalformedReply: No answer to a negotiation of versions 2 and 3.
    """

    def read(layers: SimpleNamespace) -> tuple[str | None, bool | None]:
        header = layers.smb2.SMB2_Header(data)
        if header.Start != b"\xfeSMB" or header.Command != 0 or not int(header.Flags) & 1:
            raise MalformedReply("no answer to an SMB 2 negotiation")
        if int(header.Status):
            return None, None
        body = header.payload
        if not isinstance(body, layers.smb2.SMB2_Negotiate_Protocol_Response):
            raise MalformedReply("SMB 2 answer without a negotiation")
        dialect = SMB2_DIALECTS.get(int(body.DialectRevision))
        if dialect is None:
            raise MalformedReply("SMB 2 negotiation that agrees on what was not offered")
        return dialect, bool(int(body.SecurityMode) & 0x02)

    return _guarded(data, "SMB reply", read)
