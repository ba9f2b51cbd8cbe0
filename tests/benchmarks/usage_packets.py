"""Packets of a capture, or flow records, counted into conversations, beside a bare loop that only reads their headers in the same run.

    python tests/benchmarks/usage_packets.py [--at-least 0.5]
    FORM=pcapng python tests/benchmarks/usage_packets.py        or ipv6, tagged (IEEE 802.1Q), ipfix; pcap by default
    python tests/benchmarks/usage_packets.py --side large       memory over 1 GB, in MiB

Both read the same file of 600,000 packets of 800 connections over Ethernet. The bare loop takes the file apart record by record
and unpacks addresses, ports and protocol of each packet, and keeps nothing; of IPFIX it unpacks each record of a template. Seconds
are those of the processor, since others use the machine too. Each measurement is a process of its own; they alternate, and the best
of each side counts. The large file has 1.8 million packets of 560 bytes and more connections than are held at once; the figure is
the most memory that the process ever had, with Python and its libraries.
"""

from __future__ import annotations

import os
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
from hardenprobe.usage.ipfix import FlowFile
from hardenprobe.usage.packet_file import PacketFile

PACKETS = 600_000
LARGE = 1_800_000
REPETITIONS = 5
FORM = os.environ.get("FORM", "pcap")
FILE = Path(tempfile.gettempdir()) / f"hardenprobe-usage-benchmark.{FORM}"

_TCP = struct.Struct("!HHIIBBHHH").pack
_IP, _IP6 = struct.Struct("!BBHHHBBH4s4s").pack, struct.Struct("!IHBB16s16s").pack
_FLOW = struct.Struct("!4s4sHHBQQQI")  # as the template says
_TEMPLATE = ((8, 4), (12, 4), (7, 2), (11, 2), (4, 1), (152, 8), (153, 8), (1, 8), (2, 4))


def ends(n: int, connections: int) -> tuple[bytes, bytes, int, int]:
    """Source, target and ports of a packet; both ends of a connection take turns."""
    which = (n // 2) % connections
    client, device = struct.pack("!I", 0xC0000200 + which % 250), b"\xc6\x33\x64\x07"
    port = 20000 + which // 250
    return (client, device, port, 9100) if n % 2 == 0 else (device, client, 9100, port)


def frames(packets: int, connections: int, octets: int, form: str) -> Iterator[bytes]:
    """Ethernet frames in which both ends of connections take turns."""
    data = bytes(octets)
    for n in range(packets):
        source, target, here, there = ends(n, connections)
        segment = _TCP(here, there, n * 100 & 0xFFFFFFFF, 0, 0x50, 0x18, 9000, 0, 0) + data
        if form == "ipv6":
            head = _IP6(0x60000000, len(segment), 6, 64, bytes(12) + source, bytes(12) + target)
            yield bytes(12) + b"\x86\xdd" + head + segment
        else:
            head = _IP(0x45, 0, 20 + len(segment), n & 0xFFFF, 0, 64, 6, 0, source, target)
            yield bytes(12) + (b"\x81\0\0\x07" if form == "tagged" else b"") + b"\x08\0" + head + segment


def write(path: Path, packets: int, connections: int, octets: int, form: str = "pcap") -> None:
    """A file of packets, or of a flow record for each."""
    with path.open("wb") as out:
        if form == "ipfix":
            fields = b"".join(struct.pack("!HH", *one) for one in _TEMPLATE)
            known = struct.pack("!HHHH", 2, 8 + len(fields), 256, len(_TEMPLATE)) + fields
            for n in range(0, packets, 30):
                some = b"".join(
                    _FLOW.pack(*ends(k, connections), 6, 1_800_000_000_000 + k, 1_800_000_000_001 + k, 900, 3)
                    for k in range(n, n + 30)
                )
                body = (b"" if n else known) + struct.pack("!HH", 256, 4 + len(some)) + some
                out.write(struct.pack("!HHIII", 10, 16 + len(body), 1_800_000_000, n, 1) + body)
            return
        if form == "pcapng":
            out.write(_block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1)))
            out.write(_block(1, struct.pack("<HHI", 1, 0, 262144)))
        else:
            out.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 262144, 1))
        for n, frame in enumerate(frames(packets, connections, octets, form)):
            size, ticks = len(frame), 1_800_000_000_000_000 + n * 1000
            if form == "pcapng":
                head = struct.pack("<IIIII", 0, ticks >> 32, ticks & 0xFFFFFFFF, size, size)
                out.write(_block(6, head + frame + bytes(-size % 4)))
            else:
                out.write(struct.pack("<IIII", *divmod(ticks, 1_000_000), size, size) + frame)


def _block(kind: int, body: bytes) -> bytes:
    size = struct.pack("<I", len(body) + 12)
    return struct.pack("<I", kind) + size + body + size


@contextmanager
def capture() -> Iterator[None]:
    write(FILE, PACKETS, 800, 120, FORM)
    try:
        yield
    finally:
        FILE.unlink()


def bare() -> float:
    """Seconds of a loop that reads headers and nothing else."""
    began = time.process_time()
    count = _bare_records() if FORM == "ipfix" else _bare_packets()
    seconds = time.process_time() - began
    assert count == PACKETS, count
    return seconds


def _bare_packets() -> int:
    ng = FORM == "pcapng"
    record = struct.Struct("<8xIIIII" if ng else "<IIII").unpack_from
    block = struct.Struct("<II").unpack_from
    forms = {"ipv6": "!12xHIHBB16s16sHH", "tagged": "!12xHHHB8xB2x4s4sHH"}
    header = struct.Struct(forms.get(FORM, "!12xHB8xB2x4s4sHH")).unpack_from
    count, rest = 0, b""
    with FILE.open("rb") as file:
        if not ng:
            file.read(24)
        while piece := file.read(1 << 20):
            data, at = rest + piece, 0
            size = len(data)
            while at + 16 <= size:
                if ng:
                    kind, length = block(data, at)
                    if at + length > size:
                        break
                    if kind == 6:
                        record(data, at)
                        header(data, at + 28)
                        count += 1
                    at += length
                else:
                    _, _, captured, _ = record(data, at)
                    if at + 16 + captured > size:
                        break
                    header(data, at + 16)
                    count += 1
                    at += 16 + captured
            rest = data[at:]
    return count


def _bare_records() -> int:
    message, part, flow = struct.Struct("!HHIII").unpack, struct.Struct("!HH").unpack_from, _FLOW.unpack_from
    count = 0
    with FILE.open("rb") as file:
        while head := file.read(16):
            body = file.read(message(head)[1] - 16)
            at = 0
            while at + 4 <= len(body):
                number, length = part(body, at)
                for record in range(at + 4, at + length if number >= 256 else 0, _FLOW.size):
                    flow(body, record)
                    count += 1
                at += length
    return count


def ours() -> float:
    """Seconds until every conversation is counted."""
    found: list[Conversation] = []
    began = time.process_time()
    table = _read(FILE, found)
    seconds = time.process_time() - began
    packets = PACKETS * (3 if FORM == "ipfix" else 1)
    assert (table.packets, len(found)) == (packets, 800), (table.packets, len(found))
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
        if FORM == "ipfix":
            for record in FlowFile(opened).records():
                table.record(record)
        else:
            table.read(PacketFile(opened).packets())
    table.finish()
    return table


if __name__ == "__main__":
    sides = {"bare": bare, "ours": ours, "large": large}
    words = ("flow records" if FORM == "ipfix" else "packets", "conversations")
    sys.exit(compare(__file__, sides, PACKETS, REPETITIONS, capture, words=words))
