"""Packets of a capture, counted into conversations, beside a bare loop that only reads their headers in the same run.

    python tests/benchmarks/usage_packets.py [--at-least 0.5]
    python tests/benchmarks/usage_packets.py --side large       memory over 1 GB, in MiB

Both read the same pcap file of 600,000 packets of 800 connections over untagged Ethernet. The bare loop takes the file apart
record by record and unpacks addresses, ports and protocol of each packet, and keeps nothing. Each measurement is a process of
its own; they alternate, and the best of each side counts. The large file has 1.8 million packets of 560 bytes and more
connections than are held at once; the figure is the most memory that the process ever had, with Python and its libraries.
"""

from __future__ import annotations

import resource
import struct
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from beside import compare

from hardenprobe.usage import files
from hardenprobe.usage.conversations import Conversation, Conversations
from hardenprobe.usage.packet_file import PacketFile

PACKETS = 600_000
LARGE = 1_800_000
REPETITIONS = 5
FILE = Path(tempfile.gettempdir()) / "hardenprobe-usage-benchmark.pcap"


def write(path: Path, packets: int, connections: int, octets: int) -> None:
    """A capture in which both ends of connections take turns."""
    ip = struct.Struct("!BBHHHBBH4s4s").pack
    tcp = struct.Struct("!HHIIBBHHH").pack
    with path.open("wb") as out:
        out.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 262144, 1))
        for n in range(packets):
            which = (n // 2) % connections
            client, device = struct.pack("!I", 0xC0000200 + which % 250), b"\xc6\x33\x64\x07"
            ends = (client, device, 20000 + which // 250, 9100)
            source, target, here, there = ends if n % 2 == 0 else (device, client, 9100, ends[2])
            head = ip(0x45, 0, 40 + octets, n & 0xFFFF, 0, 64, 6, 0, source, target)
            packet = (
                bytes(12)
                + b"\x08\x00"
                + head
                + tcp(here, there, n * 100 & 0xFFFFFFFF, 0, 0x50, 0x18, 9000, 0, 0)
            )
            size = len(packet) + octets
            out.write(
                struct.pack("<IIII", 1_800_000_000 + n // 1000, n % 1000 * 1000, size, size)
                + packet
                + bytes(octets)
            )


@contextmanager
def capture() -> Iterator[None]:
    write(FILE, PACKETS, 800, 120)
    try:
        yield
    finally:
        FILE.unlink()


def bare() -> float:
    """Seconds of a loop that reads headers and nothing else."""
    record = struct.Struct("<IIII").unpack_from
    header = struct.Struct("!12xHB8xB2x4s4sHH").unpack_from
    count, rest = 0, b""
    began = time.perf_counter()
    with FILE.open("rb") as file:
        file.read(24)
        while piece := file.read(1 << 20):
            data, at = rest + piece, 0
            size = len(data)
            while at + 16 <= size:
                _, _, captured, _ = record(data, at)
                if at + 16 + captured > size:
                    break
                _kind, _version, _protocol, _source, _target, _from, _to = header(data, at + 16)
                count += 1
                at += 16 + captured
            rest = data[at:]
    seconds = time.perf_counter() - began
    assert count == PACKETS, count
    return seconds


def ours() -> float:
    """Seconds until every conversation is counted."""
    found: list[Conversation] = []
    began = time.perf_counter()
    table = _read(FILE, found)
    seconds = time.perf_counter() - began
    assert (table.packets, len(found)) == (PACKETS, 800), (table.packets, len(found))
    return seconds


def large() -> float:
    """The most memory that reading 1 GB takes, in MiB."""
    with tempfile.NamedTemporaryFile(suffix=".pcap") as file:
        write(Path(file.name), LARGE, 300_000, 506)
        counted = [0]
        table = Conversations(lambda one: counted.__setitem__(0, counted[0] + 1))
        with files.opened(Path(file.name)) as opened:
            table.read(PacketFile(opened).packets())
        table.finish()
        assert table.packets == LARGE and table.cut, (table.packets, table.cut)
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _read(path: Path, found: list[Conversation]) -> Conversations:
    table = Conversations(found.append)
    with files.opened(path) as opened:
        table.read(PacketFile(opened).packets())
    table.finish()
    return table


if __name__ == "__main__":
    sides = {"bare": bare, "ours": ours, "large": large}
    sys.exit(compare(__file__, sides, PACKETS, REPETITIONS, capture, words=("packets", "conversations")))
