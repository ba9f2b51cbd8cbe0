"""Datagram services that tell who the device is: multicast DNS, LLMNR, SLP, WS-Discovery, SSDP, NetBIOS.

Written by hand from the standards, and not with what hardenprobe asks with, so that each is a witness for the other.
"""

from __future__ import annotations

import re
import struct
import uuid
from dataclasses import dataclass
from typing import ClassVar, Literal

from hardenprobe.demo_lab.service import Answer, Host, Service, Talk

A, PTR, TXT, SRV = 1, 12, 16, 33  # RFC 1035 section 3.2.2, RFC 2782
RESPONSE = 0x8400  # RFC 1035 section 4.1.1: QR and AA
TTL = 10  # seconds; RFC 6762 section 6.7, what a legacy unicast response may state


def dns_name(text: str) -> bytes:
    """Labels, each after its length (RFC 1035 section 3.1)."""
    return b"".join(bytes((len(label),)) + label.encode() for label in text.split(".")) + b"\0"


def dns_question(data: bytes) -> tuple[int, str, int, bytes]:
    """Id, name and type of the first question, and its bytes.

    Raises:
        ValueError, struct.error: The message holds no question.
    """
    ident, flags, questions = struct.unpack_from(">HHH", data)
    if flags & 0x8000 or not questions:
        raise ValueError("no query")
    at, labels = 12, []
    while length := data[at]:
        if length > 63:
            raise ValueError("a compressed question")
        labels.append(data[at + 1 : at + 1 + length].decode())
        at += 1 + length
    (kind,) = struct.unpack_from(">H", data, at + 1)
    return ident, ".".join(labels), kind, data[12 : at + 5]


def dns_response(ident: int, question: bytes, answers: list[bytes], more: list[bytes]) -> bytes:
    head = struct.pack(">6H", ident, RESPONSE, 1, len(answers), 0, len(more))
    return head + question + b"".join(answers) + b"".join(more)


def dns_record(name: str, kind: int, data: bytes) -> bytes:
    return dns_name(name) + struct.pack(">HHIH", kind, 1, TTL, len(data)) + data


@dataclass(frozen=True, kw_only=True)
class Published:
    """One service instance (RFC 6763).

    Attributes:
        type: Such as "_ipp._tcp".
        text: Strings of its TXT record, as they are.
    """

    type: str
    instance: str
    port: int
    text: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Mdns(Service, speaks="mdns"):
    """A multicast-DNS responder that answers unicast questions from anywhere.

    Attributes:
        text_comes_along: TXT records accompany the PTR (RFC 6763 section 12.1); otherwise they want a question.
    """

    transport: ClassVar[Literal["tcp", "udp"]] = "udp"

    port: int = 5353
    publishes: tuple[Published, ...] = ()
    text_comes_along: bool = True

    def answerer(self, host: Host) -> Answer:
        everything = "_services._dns-sd._udp.local"

        def answer(data: bytes) -> bytes | None:
            try:
                ident, name, kind, question = dns_question(data)
            except (ValueError, IndexError, struct.error):
                return None
            answers: list[bytes] = []
            more: list[bytes] = []
            if kind == PTR and name.lower() == everything:
                types = dict.fromkeys(p.type for p in self.publishes)
                answers = [dns_record(everything, PTR, dns_name(f"{t}.local")) for t in types]
            for one in self.publishes:
                text = dns_record(f"{one.instance}.{one.type}.local", TXT, _strings(one.text))
                if kind == PTR and name.lower() == f"{one.type}.local":
                    answers.append(dns_record(name, PTR, dns_name(f"{one.instance}.{one.type}.local")))
                    more += [text] if self.text_comes_along else []
                elif kind == TXT and name == f"{one.instance}.{one.type}.local":
                    answers.append(text)
            return dns_response(ident, question, answers, more) if answers else None

        return answer


def _strings(text: tuple[str, ...]) -> bytes:
    """Strings, each after its length; none is one empty string (RFC 6763 section 6.1)."""
    return b"".join(bytes((len(s.encode()),)) + s.encode() for s in text or ("",))


def _own_name(host: Host) -> str:
    names = host.device.listed.names
    return names[0].split(".")[0] if names else host.device.listed.asset_tag.lower()


def _llmnr(host: Host, data: bytes) -> bytes | None:
    """RFC 4795 section 2.3: the host that is authoritative for the name answers."""
    try:
        ident, name, kind, question = dns_question(data)
    except (ValueError, IndexError, struct.error):
        return None
    if kind != A or name.lower() != _own_name(host).lower():
        return None
    address = bytes(map(int, host.device.listed.addresses[0].split(".")))
    answer = dns_record(name, A, address)
    return struct.pack(">6H", ident, 0x8000, 1, 1, 0, 0) + question + answer


@dataclass(frozen=True, kw_only=True)
class Llmnr(Service, speaks="llmnr"):
    """An LLMNR responder over TCP, as unicast questions should come (RFC 4795 section 2.4)."""

    port: int = 5355

    async def serve(self, talk: Talk) -> None:
        data = b""
        while len(data) < 2 or len(data) < 2 + int.from_bytes(data[:2]):
            piece = await talk.some()
            if not piece:
                return
            data += piece
        if answer := _llmnr(talk.host, data[2:]):
            await talk.say(len(answer).to_bytes(2) + answer)


@dataclass(frozen=True, kw_only=True)
class LlmnrDatagrams(Service, speaks="llmnr-datagrams"):
    """An LLMNR responder that answers unicast datagrams, which it should not."""

    transport: ClassVar[Literal["tcp", "udp"]] = "udp"

    port: int = 5355

    def answerer(self, host: Host) -> Answer:
        return lambda data: _llmnr(host, data)


@dataclass(frozen=True, kw_only=True)
class Slp(Service, speaks="slp"):
    """A service agent that answers for printing (RFC 2608 sections 8.1 and 8.2)."""

    transport: ClassVar[Literal["tcp", "udp"]] = "udp"

    port: int = 427

    def answerer(self, host: Host) -> Answer:
        def answer(data: bytes) -> bytes | None:
            if len(data) < 16 or data[:2] != b"\x02\x01" or b"service:printer" not in data:
                return None
            url = f"service:printer:lpr://{host.device.listed.addresses[0]}/lp".encode()
            tag = data[12 : 14 + int.from_bytes(data[12:14])]
            body = struct.pack(">HHBHH", 0, 1, 0, 600, len(url)) + url + b"\0"
            length = 12 + len(tag) + len(body)
            return b"\x02\x02" + length.to_bytes(3) + bytes(5) + data[10:12] + tag + body

        return answer


_MATCH = (
    '<?xml version="1.0" encoding="utf-8"?><s:Envelope xmlns:s="http://www.w3.org/2003/05/soap-envelope" '
    'xmlns:a="{addressing}" xmlns:d="{discovery}"><s:Header><a:Action>{discovery}/ProbeMatches</a:Action>'
    "<a:MessageID>{fresh}</a:MessageID><a:RelatesTo>{asked}</a:RelatesTo></s:Header><s:Body><d:ProbeMatches>"
    "<d:ProbeMatch><a:EndpointReference><a:Address>{device}</a:Address></a:EndpointReference>"
    "<d:Types>print:PrintDeviceType</d:Types><d:XAddrs>http://{address}:5357/</d:XAddrs>"
    "<d:MetadataVersion>1</d:MetadataVersion></d:ProbeMatch></d:ProbeMatches></s:Body></s:Envelope>"
)


@dataclass(frozen=True, kw_only=True)
class WsDiscovery(Service, speaks="ws-discovery"):
    """A target that answers probes of one version: 1.1 of the standard, or the draft of April 2005."""

    transport: ClassVar[Literal["tcp", "udp"]] = "udp"

    port: int = 3702
    version: Literal["1.1", "draft"] = "1.1"

    def answerer(self, host: Host) -> Answer:
        discovery, addressing = {
            "1.1": (
                "http://docs.oasis-open.org/ws-dd/ns/discovery/2009/01",
                "http://www.w3.org/2005/08/addressing",
            ),
            "draft": (
                "http://schemas.xmlsoap.org/ws/2005/04/discovery",
                "http://schemas.xmlsoap.org/ws/2004/08/addressing",
            ),
        }[self.version]

        def answer(data: bytes) -> bytes | None:
            asked = re.search(rb"MessageID>\s*(urn:uuid:[0-9a-f-]{36})\s*<", data[:8192])
            if not asked or f"{discovery}/Probe".encode() not in data:
                return None
            return _MATCH.format(
                discovery=discovery,
                addressing=addressing,
                asked=asked[1].decode(),
                fresh=uuid.uuid4().urn,
                device=uuid.uuid5(uuid.NAMESPACE_DNS, host.device.listed.asset_tag).urn,
                address=host.device.listed.addresses[0],
            ).encode()

        return answer


@dataclass(frozen=True, kw_only=True)
class Ssdp(Service, speaks="ssdp"):
    """A root device that answers searches (UPnP Device Architecture 2.0 section 1.3.3)."""

    transport: ClassVar[Literal["tcp", "udp"]] = "udp"

    port: int = 1900

    def answerer(self, host: Host) -> Answer:
        def answer(data: bytes) -> bytes | None:
            if not data.startswith(b"M-SEARCH * HTTP/1.1\r\n") or b'"ssdp:discover"' not in data:
                return None
            device = uuid.uuid5(uuid.NAMESPACE_DNS, host.device.listed.asset_tag)
            fields = (
                "HTTP/1.1 200 OK",
                "CACHE-CONTROL: max-age=1800",
                "EXT:",
                f"LOCATION: http://{host.device.listed.addresses[0]}/description.xml",
                "SERVER: unknown/1.0 UPnP/2.0 device/1.0",
                "ST: upnp:rootdevice",
                f"USN: uuid:{device}::upnp:rootdevice",
            )
            return "\r\n".join((*fields, "", "")).encode()

        return answer


@dataclass(frozen=True, kw_only=True)
class Netbios(Service, speaks="netbios"):
    """A name service that answers node status requests (RFC 1002 sections 4.2.17 and 4.2.18)."""

    transport: ClassVar[Literal["tcp", "udp"]] = "udp"

    port: int = 137

    def answerer(self, host: Host) -> Answer:
        def answer(data: bytes) -> bytes | None:
            if len(data) != 50 or data[46:] != b"\x00\x21\x00\x01" or data[2] & 0x80:
                return None
            names = ((_own_name(host), 0x00), (_own_name(host), 0x20), ("WORKGROUP", 0x00))
            table = b"".join(n.upper().encode()[:15].ljust(15) + bytes((s, 0x04, 0)) for n, s in names)
            data_ = bytes((len(names),)) + table + bytes(46)
            head = data[:2] + struct.pack(">5H", 0x8400, 0, 1, 0, 0)
            return head + data[12:46] + struct.pack(">HHIH", 0x21, 1, 0, len(data_)) + data_

        return answer


@dataclass(frozen=True, kw_only=True)
class Reflector(Service, speaks="reflector"):
    """Sends every datagram back: something comes, and it is no answer."""

    transport: ClassVar[Literal["tcp", "udp"]] = "udp"

    def answerer(self, host: Host) -> Answer:
        return lambda data: data
