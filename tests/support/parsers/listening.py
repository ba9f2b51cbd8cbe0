"""What takes captured traffic apart: hellos, headings and announcements by themselves, and whole conversations."""

from __future__ import annotations

import struct
from ipaddress import ip_address
from typing import Any

from hardenprobe.listening.datagrams import Datagrams
from hardenprobe.listening.fragments import Fragments
from hardenprobe.listening.heard import MOST, Heard, Terms
from hardenprobe.listening.services import Service
from hardenprobe.listening.streams import Streams
from hardenprobe.listening.tls import TlsPorts
from hardenprobe.listening.traffic import Traffic
from hardenprobe.probes import packets
from hardenprobe.probes.discovery import ssdp, ws_discovery
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.probes.snmp import response
from hardenprobe.probes.tls.codec import ClientHello, read_client_hello
from support.captures import Shot
from support.heard import DEVICE, FTP, HELLO, LLMNR, MDNS, NOTIFY, TELNET, WEB, ipp_job, smb1, snmp, talk
from support.parsers.registry import parser

PORTS = (21, 23, 80, 139, 443, 445, 631, 5357, 9100)
TERMS = Terms(
    vantage="here",
    ports=frozenset(PORTS),
    communities=("public", "private"),
    paths=frozenset({"/", "/ipp/print"}),
    anchors=TrustAnchors(),
)


def _hello() -> bytes:
    return ClientHello(
        versions=(0x0304, 0x0303), suites=(0x1301, 0xC02F, 0xFF), random=bytes(32), groups=(29, 23),
        key_shares=((29, bytes(32)),),
    ).record()  # fmt: skip


@parser(
    "client-hello", "tls.codec", seeds=lambda: (_hello(), _hello()[:20], b"\x16\x03\x01\0\1\1" + _hello())
)
def _client_hello(data: bytes) -> None:
    hello = read_client_hello(data)
    assert hello is None or hello.versions


@parser("snmp-heading", "snmp.response", seeds=lambda: (snmp(1, b"public", 0xA2), snmp(0, b"x", 0xA0)))
def _heading(data: bytes) -> None:
    _, community, _, _ = response.heading(data)
    assert len(community) <= len(data)


@parser("smb1-dialects", "packets", seeds=lambda: (smb1()[0][1][4:],))
def _dialects(data: bytes) -> None:
    assert len(packets.read_smb1_dialects(data)) <= 64


@parser("ssdp-notify", "discovery.ssdp", seeds=lambda: (NOTIFY,))
def _notify(data: bytes) -> None:
    assert len(ssdp.words(ssdp.decode_notify(data))) < 2000


@parser("ws-discovery-hello", "discovery.ws_discovery", seeds=lambda: (HELLO,))
def _announced(data: bytes) -> None:
    assert len(ws_discovery.decode_announcement(data)) <= 16


def _spoken(port: int, said: list[tuple[bool, bytes]]) -> bytes:
    """A conversation as the fuzzer writes it: which port, then who says how much."""
    made = bytes((PORTS.index(port),))
    return made + b"".join(
        bytes((by_client,)) + struct.pack("!H", len(data)) + data for by_client, data in said
    )


@parser(
    "conversation",
    "remote.telnet",
    seeds=lambda: (
        _spoken(23, TELNET), _spoken(21, FTP), _spoken(80, WEB), _spoken(631, ipp_job()), _spoken(445, smb1()),
        _spoken(443, [(True, _hello()), (False, b"\x16\x03\x03\0\x04\x0e\0\0\0")]),
        _spoken(21, [FTP[0], (True, b"AUTH TLS\r\n"), (False, b"234 Go\r\n"), (True, _hello())]),
    ),
)  # fmt: skip
def _conversation(data: bytes) -> None:
    heard = Heard(address=DEVICE, terms=TERMS)
    tls = TlsPorts(heard)
    service = Service(heard, tls, PORTS[data[0] % len(PORTS)] if data else 80)
    service.accepted(0.0)
    at = 1
    while at + 3 <= len(data) and not service.done:
        way, size = data[at], int.from_bytes(data[at + 1 : at + 3], "big")
        piece = data[at + 3 : at + 3 + size]
        if way & 0xFE == 0xFE:
            service.missed(bool(way & 1))
        elif piece:
            service.heard(bool(way & 1), piece, float(at))
        else:
            service.closed(bool(way & 1), float(at))
        at += 3 + size
    if not service.done:
        service.missed(False)
    tls.finish()
    _hold(heard, data)


@parser(
    "heard-datagram",
    seeds=lambda: tuple(
        bytes((n,)) + one for n, one in enumerate((snmp(1, b"public", 0xA2), MDNS, LLMNR, NOTIFY, HELLO))
    ),
)
def _datagram(data: bytes) -> None:
    heard = Heard(address=DEVICE, terms=TERMS)
    port = (161, 5353, 5355, 1900, 3702, 4000)[data[0] % 6] if data else 161
    datagrams = Datagrams(heard)
    for _ in range(2):
        datagrams.sent(port, 4001, data[1:], 0.0)
    _hold(heard, data)


def _hold(heard: Heard, data: bytes) -> None:
    """What is kept is bounded, and holds no more bytes than were heard."""
    assert len(heard.observations) <= MOST
    for one in heard.observations:
        assert sum(len(exchange.hex) for exchange in one.transcript) <= 2 * (len(data) + 4096)


def _frames(shots: list[Shot]) -> bytes:
    return b"".join(struct.pack("!BH", shot.link % 256, len(shot.data)) + shot.data for shot in shots)


@parser("captured-frames", seeds=lambda: (_frames(talk()[:12]), _frames(talk()[-8:]), _frames(talk()[20:40])))
def _captured(data: bytes) -> None:
    heard: dict[bytes, Heard] = {}

    def begin(client: bytes, server: bytes) -> Any:
        mine = heard.setdefault(server[:-2], Heard(address="192.0.2.7", terms=TERMS))
        return Service(mine, TlsPorts(mine), int.from_bytes(server[-2:], "big"))

    def take(*given: object) -> None: ...

    streams = Streams(begin, take, most=8)
    traffic = Traffic([ip_address(DEVICE).packed, bytes(16)], streams, take)
    at, count = 0, 0
    while at + 3 <= len(data):
        link, size = struct.unpack_from("!BH", data, at)
        end = min(len(data), at + 3 + size)
        traffic.read([(0.0, size, link, data, at + 3, end)])
        at, count = at + 3 + size, count + 1
    assert traffic.packets == count and len(streams._sides) <= 20
    traffic.finish()
    assert not streams._sides and isinstance(traffic.fragments, Fragments)
