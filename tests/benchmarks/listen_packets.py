"""Packets of a capture that concern no device, passed over by `listen`, beside a bare loop that only reads their headers.

    python tests/benchmarks/listen_packets.py [--at-least 0.5]
    python tests/benchmarks/listen_packets.py --side large       memory over 1 GB, in MiB
    python tests/benchmarks/listen_packets.py --side device      packets a second of bulk traffic of a device

The file, the bare loop and the way of measuring are those of usage_packets.py. The large file has 1.8 million packets of 560 bytes:
every third belongs to others, and the rest to 300,000 connections of one device that begin a request and never end it. The figure is
the most memory that the process ever had, with Python and its libraries.
"""

from __future__ import annotations

import resource
import struct
import sys
import tempfile
import time
from collections.abc import Collection
from ipaddress import ip_address
from pathlib import Path

from beside import compare
from usage_packets import FILE, LARGE, PACKETS, REPETITIONS, bare, capture

from hardenprobe.listening.heard import Heard, Terms
from hardenprobe.listening.services import Service
from hardenprobe.listening.streams import Listener, Streams
from hardenprobe.listening.tls import TlsPorts
from hardenprobe.listening.traffic import Traffic
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.usage import files
from hardenprobe.usage.packet_file import PacketFile

DEVICE = "198.51.100.7"


def read(path: Path, devices: Collection[str]) -> tuple[Traffic, Streams]:
    terms = Terms(
        vantage="here", ports=frozenset({80, 9100}), communities=(), paths=frozenset(), anchors=TrustAnchors()
    )
    heard = Heard(address=DEVICE, terms=terms)
    tls = TlsPorts(heard)

    def begin(client: bytes, server: bytes) -> Listener:
        return Service(heard, tls, int.from_bytes(server[-2:], "big"))

    def take(*given: object) -> None: ...

    streams = Streams(begin, take)
    traffic = Traffic([ip_address(one).packed for one in devices], streams, take)
    with files.opened(path) as opened:
        traffic.read(PacketFile(opened).packets())
    return traffic, streams


def timed(devices: Collection[str]) -> float:
    began = time.perf_counter()
    traffic, _ = read(FILE, devices)
    seconds = time.perf_counter() - began
    assert traffic.packets == PACKETS
    return seconds


def ours() -> float:
    """Seconds to read traffic of others."""
    return timed(["203.0.113.9"])


def device() -> float:
    """Packets a second of bulk traffic of a device."""
    with capture():
        return PACKETS / timed([DEVICE])


def write(path: Path) -> None:
    """Requests without an end, among traffic of others."""
    ip = struct.Struct("!BBHHHBBH4s4s").pack
    tcp = struct.Struct("!HHIIBBHHH").pack
    text = b"GET / HTTP/1.1\r\nHost: device\r\nX: ".ljust(506, b"a")
    with path.open("wb") as out:
        out.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 262144, 1))
        for n in range(LARGE):
            which, step = n % 300_000, n // 300_000
            server = b"\xcb\x00\x71\x09" if n % 3 == 2 else ip_address(DEVICE).packed
            client = struct.pack("!I", 0x0A000000 + which % 30_000)
            flags, number, body = (2, 1, b"") if step == 0 else (0x18, 2 + 506 * (step - 1), text)
            if step > 1:
                body = b"a" * 506
            head = ip(0x45, 0, 40 + len(body), n & 0xFFFF, 0, 64, 6, 0, client, server)
            packet = (
                bytes(12)
                + b"\x08\x00"
                + head
                + tcp(20000 + which // 30_000, 80, number, 0, 0x50, flags, 9000, 0, 0)
            )
            packet = (packet + body).ljust(560, b"\0")
            out.write(struct.pack("<IIII", 1_800_000_000 + n // 1000, n % 1000 * 1000, 560, 560) + packet)


def large() -> float:
    """The most memory that reading 1 GB takes, in MiB."""
    with tempfile.NamedTemporaryFile(suffix=".pcap") as file:
        write(Path(file.name))
        traffic, streams = read(Path(file.name), [DEVICE])
        traffic.finish()
        assert traffic.packets == LARGE and streams.cut, (traffic.packets, streams.cut)
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    sides = {"bare": bare, "ours": ours, "large": large, "device": device}
    sys.exit(compare(__file__, sides, PACKETS, REPETITIONS, capture, words=("packets", "packets")))
