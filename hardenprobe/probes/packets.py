"""Questions of DNS, NetBIOS, NTP, TFTP and SMB, written with scapy, and answers, read where their fields lie.

scapy takes a second to import, so its layers are imported by the first question, and only those that are needed. Its
dissectors take what no standard allows, and seconds over a hundred hostile bytes, so no answer is given to them.
"""

from __future__ import annotations

import asyncio
import struct
import warnings
from collections.abc import Sequence
from functools import cache
from types import SimpleNamespace

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import readable
from hardenprobe.network.scapy_loader import scapy_module
from hardenprobe.probes.dns import TYPES, read_name

SIZE_CAP = 9000  # bytes; a jumbo frame, and no protocol here comes near
_LAYERS = ("dns", "llmnr", "netbios", "ntp", "smb", "smb2", "tftp")

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


def _within(data: bytes, least: int, what: str) -> None:
    if not least <= len(data) <= SIZE_CAP:
        raise MalformedReply(f"{what} of {len(data)} bytes")


# ---- questions of DNS, multicast DNS and LLMNR


def encode_mdns(name: str, kind: str, ident: int, *, unicast: bool = False) -> bytes:
    """Write one multicast-DNS question.

    Args:
        kind: Key of `dns.TYPES`.
        unicast: Set the unicast-response bit (RFC 6762 section 5.4).

    Source: RFC 1035 section 4.1; RFC 6762 section 18.
    """
    dns = _layers().dns
    question = dns.DNSQR(qname=name, qtype=TYPES[kind], unicastresponse=int(unicast), qclass=1)
    return bytes(dns.DNS(id=ident, rd=0, qd=[question]))


def encode_dns(name: str, kind: str, ident: int) -> bytes:
    """Write one question to a name server, which is to look further where it must. Source: RFC 1035 section 4.1."""
    dns = _layers().dns
    return bytes(dns.DNS(id=ident, rd=1, qd=[dns.DNSQR(qname=name, qtype=TYPES[kind])]))


def encode_llmnr(name: str, kind: str, ident: int) -> bytes:
    """Write one LLMNR question. Source: RFC 4795 section 2.1.1."""
    layers = _layers()
    question = layers.dns.DNSQR(qname=name, qtype=TYPES[kind])
    return bytes(layers.llmnr.LLMNRQuery(id=ident, qd=[question]))


# ---- NetBIOS name service


def encode_node_status(ident: int) -> bytes:
    """Write one node status request for the name that everybody has. Source: RFC 1002 section 4.2.17."""
    netbios = _layers().netbios
    header = netbios.NBNSHeader(NAME_TRN_ID=ident, NM_FLAGS=0, QDCOUNT=1)
    return bytes(header / netbios.NBNSNodeStatusRequest())


def decode_node_status(data: bytes, ident: int) -> tuple[str, ...]:
    """Read the names of a node status response. Source: RFC 1002 sections 4.2.1 and 4.2.18.

    Raises:
        MalformedReply: No response, the answer to another question, or no node status.
    """

    _within(data, 12, "NetBIOS reply")
    try:
        number, flags, questions, answers = struct.unpack_from(">4H", data)
        if number != ident or not flags & 0x8000:
            raise MalformedReply("NetBIOS message that is no response to our request")
        if questions or not answers:
            raise MalformedReply("NetBIOS response without a node status")
        _, at = read_name(data, 12)
        kind, group, _, length, count = struct.unpack_from(">HHIHB", data, at)
    except (struct.error, IndexError):
        raise MalformedReply("NetBIOS response that ends too early", len(data)) from None
    at += 11
    if (kind, group) != (0x21, 1) or 1 + 18 * count > length or at - 1 + length > len(data):
        raise MalformedReply("NetBIOS response without a node status")
    return tuple(readable(data[at + 18 * n :][:15].rstrip(b" \0")) for n in range(count))


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

    Source: RFC 9327 section 2; mode 7 as NTP's reference implementation has it, which no standard describes.

    Raises:
        MalformedReply: Another mode, no response, or the answer to another query.
    """

    _within(data, 12 if mode == 6 else 8, "NTP reply")
    said = (
        data[0] & 7,
        data[0 if mode == 7 else 1] >> 7,
    )  # in mode 7 the response bit stands before the mode
    if mode == 6:
        if said != (6, 1) or int.from_bytes(data[2:4]) != sequence:
            raise MalformedReply("NTP message that is no response to our control query")
        count = int.from_bytes(data[10:12])
        if data[1] & 0x40:
            return "an error"
        if 12 + count > len(data):
            raise MalformedReply(f"NTP reply of {count} bytes in {len(data)}")
        return readable(data[12 : 12 + count], 200)
    if said != (7, 1):
        raise MalformedReply("NTP message that is no response to our private query")
    error, items = divmod(int.from_bytes(data[4:6]), 0x1000)
    return f"{items} peers, error {error}"


# ---- TFTP

TFTP_REPLIES = {3: "DATA", 5: "ERROR", 6: "OACK"}  # RFC 1350 section 5, RFC 2347


def encode_read_request(name: str) -> bytes:
    """Write one read request. Source: RFC 1350 section 5."""
    tftp = _layers().tftp
    return bytes(tftp.TFTP() / tftp.TFTP_RRQ(filename=name.encode(), mode=b"octet"))


def decode_tftp(data: bytes) -> str:
    """Read a reply to a read request. Source: RFC 1350 section 5.

    Raises:
        MalformedReply: Nothing that a server says.
    """

    _within(data, 4, "TFTP reply")
    code, number = struct.unpack_from(">HH", data)
    if code not in TFTP_REPLIES:
        raise MalformedReply("TFTP message that no server sends")
    if code == 5:
        return f"ERROR {number} {readable(data[4:].partition(bytes(1))[0], 80)}".rstrip()
    return TFTP_REPLIES[code]


# ---- SMB negotiation; questions have the four bytes of length before them


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


def read_smb1_dialects(data: bytes) -> tuple[str, ...]:
    """Read what a negotiation of version 1 offers, without its length bytes. Source: MS-CIFS section 2.2.4.52.1.

    Raises:
        MalformedReply: No such negotiation.
    """
    _within(data, 35, "SMB request")
    if data[:5] != b"\xffSMB\x72" or data[9] & 0x80 or data[32]:
        raise MalformedReply("no SMB 1 negotiation")
    offered = data[35 : 35 + int.from_bytes(data[33:35], "little")].split(b"\x02")[1:]
    return tuple(readable(one.partition(b"\0")[0], 64) for one in offered[:64])


def decode_smb1(data: bytes, offered: Sequence[str] = (SMB1_DIALECT,)) -> tuple[str | None, bool | None]:
    """Read the answer to a negotiation of version 1, without its length bytes.

    Args:
        offered: The dialects that were.

    Returns:
        The dialect agreed on and whether signing is required; both None where the server took none.

    Source: MS-CIFS sections 2.2.3.1 and 2.2.4.52.2 (DialectIndex 0xFFFF: none; SecurityMode 0x08: signatures required).

    Raises:
        MalformedReply: No answer to a negotiation of version 1.
    """
    _within(data, 35, "SMB answer")
    status, flags, words, index = struct.unpack_from("<5xIB22xBH", data)
    if data[:5] != b"\xffSMB\x72" or not flags & 0x80:
        raise MalformedReply("no answer to an SMB 1 negotiation")
    if status or words == 0 or index == 0xFFFF:
        return None, None
    agreed = offered[index] if index < len(offered) else None
    if words != 17 or agreed != SMB1_DIALECT or len(data) < 35 + 2 * words - 2:
        raise MalformedReply("SMB 1 negotiation that agrees on what was not offered")
    return SMB1_DIALECT, bool(data[35] & 0x08)


def decode_smb2(data: bytes) -> tuple[str | None, bool | None]:
    """Read the answer to a negotiation of versions 2 and 3, without its length bytes.

    Returns:
        The dialect agreed on and whether signing is required; both None where the server took none.

    Source: MS-SMB2 sections 2.2.1.2 and 2.2.4 (StructureSize 64 and 65; SecurityMode 0x0002: signing required).

    Raises:
        MalformedReply: No answer to a negotiation of versions 2 and 3.
    """
    _within(data, 64, "SMB answer")
    size, status, command, flags = struct.unpack_from("<4xH2xIH2xI", data)
    if data[:4] != b"\xfeSMB" or size != 64 or command != 0 or not flags & 1:
        raise MalformedReply("no answer to an SMB 2 negotiation")
    if status:
        return None, None
    if len(data) < 128 or data[64:66] != b"\x41\0":
        raise MalformedReply("SMB 2 answer without a negotiation")
    mode, revision = struct.unpack_from("<HH", data, 66)
    dialect = SMB2_DIALECTS.get(revision)
    if dialect is None:
        raise MalformedReply("SMB 2 negotiation that agrees on what was not offered")
    return dialect, bool(mode & 0x02)
