"""Traffic of a device with its clients as frames: what `listen` finds, with secrets and names in it that nobody may keep."""

from __future__ import annotations

import base64
import struct
from collections.abc import Iterable
from ipaddress import ip_address

from support.captures import Shot

DEVICE, CLIENT = "192.0.2.7", "192.0.2.40"
BEGAN = 1_800_000_000.0
NAME, PASSWORD, DOCUMENT = b"canary-name-k1", b"canary-pass-k2", b"canary-document-k3"
COMMUNITY, SESSION, JOB, PATH = (
    b"canary-community-k4",
    b"canary-session-k5",
    b"canary-job-k6",
    b"canary-path-k7",
)
CANARIES = (
    NAME, PASSWORD, DOCUMENT, COMMUNITY, SESSION, JOB, PATH,
    base64.b64encode(NAME + b":" + PASSWORD),
)  # fmt: skip
"""What must be in no store, report or bag; the last of them is how Basic writes name and password."""

Said = tuple[bool, bytes]
"""Whether the client says it, and what."""


def packet(protocol: int, source: str, target: str, payload: bytes) -> bytes:
    """An IP packet."""
    ends = ip_address(source).packed, ip_address(target).packed
    if len(ends[0]) == 16:
        return struct.pack("!IHBB16s16s", 6 << 28, len(payload), protocol, 64, *ends) + payload
    head = struct.pack("!BBHHHBBH4s4s", 0x45, 0, 20 + len(payload), 7, 0, 64, protocol, 0, *ends)
    return head + payload


def framed(data: bytes, kind: int | None = None) -> bytes:
    """An Ethernet frame around a packet."""
    return bytes(12) + (kind or (0x86DD if data[0] >> 4 == 6 else 0x0800)).to_bytes(2, "big") + data


def connection(
    port: int,
    said: Iterable[Said],
    client: str = CLIENT,
    device: str = DEVICE,
    source: int = 40000,
    size: int = 1000,
) -> list[bytes]:
    """The packets of a TCP connection (RFC 9293), with what was said in segments of a size."""
    made: list[bytes] = []
    next_ = {True: 1000, False: 5000}

    def send(by_client: bool, flags: int, data: bytes = b"") -> None:
        ends = (source, port) if by_client else (port, source)
        head = struct.pack(
            "!HHIIBBHHH", *ends, next_[by_client], next_[not by_client], 0x50, flags, 9000, 0, 0
        )
        places = (client, device) if by_client else (device, client)
        made.append(packet(6, *places, head + data))
        next_[by_client] += len(data) + bool(flags & 3)

    send(True, 0x02)
    send(False, 0x12)
    send(True, 0x10)
    for by_client, data in said:
        for at in range(0, len(data), size):
            send(by_client, 0x18, data[at : at + size])
    send(True, 0x11)
    send(False, 0x11)
    return made


def datagram(source: str, port: int, target: str, target_port: int, data: bytes) -> bytes:
    """A UDP packet."""
    return packet(17, source, target, struct.pack("!HHHH", port, target_port, 8 + len(data), 0) + data)


TELNET: list[Said] = [
    (False, b"\xff\xfb\x01login: "),
    (True, b"\xff\xfd\x01"),
    (True, NAME + b"\r\n"),
    (False, NAME + b"\r\nPassword: "),
    (True, PASSWORD + b"\r\n"),
]
FTP: list[Said] = [
    (False, b"220 File service ready\r\n"),
    (True, b"USER " + NAME + b"\r\n"),
    (False, b"331 Password required for " + NAME + b"\r\n"),
    (True, b"PASS " + PASSWORD + b"\r\n"),
    (False, b"230 Welcome " + NAME + b"\r\n"),
]
WEB: list[Said] = [
    (
        True,
        b"GET /?q=" + PATH + b" HTTP/1.1\r\nHost: x\r\nAuthorization: Basic "
        + base64.b64encode(NAME + b":" + PASSWORD) + b"\r\nCookie: s=" + SESSION + b"\r\n\r\n",
    ),
    (
        False,
        b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nSet-Cookie: SESSIONID=" + SESSION
        + b"\r\nContent-Length: 58\r\n\r\n<title>" + NAME + b"</title>" + DOCUMENT.ljust(29, b"."),
    ),
    (True, b"GET /jobs/" + PATH + b" HTTP/1.1\r\nHost: x\r\n\r\n"),
    (False, b"HTTP/1.1 302 Found\r\nLocation: /start?" + SESSION + b"\r\nContent-Length: 0\r\n\r\n"),
]  # fmt: skip


def ipp_job() -> list[Said]:
    """A Print-Job in clear, and the answer (RFC 8011 section 4.2.1)."""

    def attribute(tag: int, name: bytes, value: bytes) -> bytes:
        return bytes((tag,)) + struct.pack("!H", len(name)) + name + struct.pack("!H", len(value)) + value

    head = attribute(0x47, b"attributes-charset", b"utf-8")
    head += attribute(0x48, b"attributes-natural-language", b"en")
    asked = b"\x01\x01\x00\x02\x00\x00\x00\x07\x01" + head + attribute(0x42, b"requesting-user-name", NAME)
    asked += attribute(0x42, b"job-name", JOB) + b"\x03" + DOCUMENT * 40
    told = (
        b"\x01\x01\x00\x00\x00\x00\x00\x07\x01" + head + b"\x02" + attribute(0x42, b"job-name", JOB) + b"\x03"
    )
    kind = b"Content-Type: application/ipp\r\nContent-Length: %d\r\n\r\n"
    return [
        (True, b"POST /ipp/print HTTP/1.1\r\nHost: x\r\n" + kind % len(asked) + asked),
        (False, b"HTTP/1.1 200 OK\r\n" + kind % len(told) + told),
    ]


def smb1() -> list[Said]:
    """A negotiation of version 1 in which the third of the offered dialects is taken (MS-CIFS section 2.2.4.52)."""
    offered = b"".join(
        b"\x02" + one + b"\0" for one in (b"PC NETWORK PROGRAM 1.0", b"LANMAN1.0", b"NT LM 0.12")
    )
    asked = b"\xffSMB\x72" + bytes(27) + b"\0" + struct.pack("<H", len(offered)) + offered
    told = (
        b"\xffSMB\x72"
        + bytes(4)
        + b"\x98"
        + bytes(22)
        + b"\x11"
        + struct.pack("<HB", 2, 3)
        + bytes(31)
        + bytes(2)
    )
    return [(True, struct.pack("!I", len(asked)) + asked), (False, struct.pack("!I", len(told)) + told)]


def snmp(version: int, community: bytes, tag: int) -> bytes:
    """A message of one object, sysDescr (RFC 1157 section 4, RFC 1901 section 3)."""

    def ber(kind: int, content: bytes) -> bytes:
        return bytes((kind, len(content))) + content

    value = ber(0x04, b"Printer") if tag == 0xA2 else ber(0x05, b"")
    bound = ber(0x30, ber(0x30, ber(0x06, bytes.fromhex("2b06010201010100")) + value))
    pdu = ber(tag, ber(2, b"\x07") + ber(2, b"\0") + ber(2, b"\0") + bound)
    return ber(0x30, ber(2, bytes((version,))) + ber(4, community) + pdu)


MDNS = (
    bytes.fromhex("000084000000000100000000")
    + b"\x04_ipp\x04_tcp\x05local\0"
    + bytes.fromhex("000c00010000000a")
    + (b"\0\x09\x07printer\0")
)
NOTIFY = (
    b"NOTIFY * HTTP/1.1\r\nHOST: 239.255.255.250:1900\r\nNT: upnp:rootdevice\r\nNTS: ssdp:alive\r\n"
    b"USN: uuid:1\r\nLOCATION: http://192.0.2.7/d.xml\r\n\r\n"
)
HELLO = (
    b'<?xml version="1.0"?><s:Envelope xmlns:s="http://www.w3.org/2003/05/soap-envelope" '
    b'xmlns:d="http://docs.oasis-open.org/ws-dd/ns/discovery/2009/01"><s:Body><d:Hello>'
    b"<d:Types>p:Device</d:Types><d:XAddrs>http://192.0.2.7:5357/</d:XAddrs></d:Hello></s:Body></s:Envelope>"
)
LLMNR = (
    bytes.fromhex("1267800000010001")
    + bytes(4)
    + b"\x04name\0\0\1\0\1\x04name\0\0\1\0\1"
    + bytes(4)
    + b"\0\4\xc0\0\2\x07"
)


def packets() -> list[bytes]:
    """All of it."""
    made = [
        connection(23, TELNET),
        connection(21, FTP),
        connection(80, WEB),
        connection(631, ipp_job()),
        connection(445, smb1()),
        connection(515, [(True, b"\x02queue\n"), (False, b"\0"), (True, DOCUMENT + NAME)]),
        connection(9100, [(True, DOCUMENT * 30)]),
    ]
    asked = [(0, b"public"), (1, b"public"), (1, COMMUNITY)]
    made += [
        [
            datagram(CLIENT, 50000, DEVICE, 161, snmp(*one, 0xA0)),
            datagram(DEVICE, 161, CLIENT, 50000, snmp(*one, 0xA2)),
        ]
        for one in asked
    ]
    made.append(
        [
            datagram(DEVICE, 5353, "224.0.0.251", 5353, MDNS),
            datagram(DEVICE, 50001, "239.255.255.250", 1900, NOTIFY),
            datagram(DEVICE, 50002, "239.255.255.250", 3702, HELLO),
            datagram(DEVICE, 5355, CLIENT, 50003, LLMNR),
        ]
    )
    return [one for some in made for one in some]


def shots(data: Iterable[bytes]) -> list[Shot]:
    """Packets as frames, a hundredth of a second apart."""
    return [Shot(framed(one), BEGAN + n / 100) for n, one in enumerate(data)]


def talk() -> list[Shot]:
    """All of it, as frames."""
    return shots(packets())
