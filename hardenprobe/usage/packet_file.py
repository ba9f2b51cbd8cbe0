"""Reads the packets of a capture file, pcap or pcapng, plain or gzip, one after the other and in flat memory.

Everything in such a file is hostile: what a length announces is bounded, and what cannot be read ends the reading with a
notice, so that what came before it counts.

Sources: "PCAP Capture File Format" and "PCAP Next Generation (pcapng) Capture File Format", the IETF OPSAWG drafts
draft-ietf-opsawg-pcap and draft-ietf-opsawg-pcapng.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from hardenprobe.errors import FileInvalid
from hardenprobe.usage.files import PIECE, Input

LARGEST = (
    1 << 18
)  # bytes of one packet; captures are cut at this size at the latest (MAXIMUM_SNAPLEN of that format)
BLOCK = 1 << 24  # bytes of one pcapng block; a longer one is no block
INTERFACES = 4096  # of one section; what a file declares beyond them is not read

_PCAP = {
    b"\xd4\xc3\xb2\xa1": ("<", 1e-6),
    b"\xa1\xb2\xc3\xd4": (">", 1e-6),
    b"\x4d\x3c\xb2\xa1": ("<", 1e-9),
    b"\xa1\xb2\x3c\x4d": (">", 1e-9),
}
_SECTION, _INTERFACE, _OLD_PACKET, _SIMPLE, _STATISTICS, _PACKET = 0x0A0D0D0A, 1, 2, 3, 5, 6
_ORDERS = {b"\x4d\x3c\x2b\x1a": "<", b"\x1a\x2b\x3c\x4d": ">"}
_RESOLUTION, _TIME_OFFSET = 9, 14  # options of an interface
_RECEIVED, _DROPPED, _DROPPED_BY_SYSTEM = 4, 5, 7  # options of an interface's statistics


Packet = tuple[float, int, int, bytes, int, int]
"""One packet, a plain tuple since there are millions of them: when it passed (seconds since 1970, UTC; of a packet without a
time, that of the one before it); its bytes on the wire, however much of it was captured; its link type, by the registry of
link-layer header types; and the bytes that hold it, from where to where in them, so that nothing is copied.
"""


class PacketFile:
    """A capture file that is being read.

    Attributes:
        dropped: Packets that the capturing machine says it lost, None where the file does not say.
        received: How many it says it saw, those included.
        untimed: Packets without a time of their own (simple packet blocks).
        fault: Why the reading ended before the file did, None where it did not.
    """

    def __init__(self, file: Input) -> None:
        self._file = file
        self._read = file.read
        self.dropped: int | None = None
        self.received = self.untimed = 0
        self.fault: str | None = None

    def packets(self) -> Iterator[Packet]:
        """The packets, in the order of the file.

        Raises:
            FileInvalid: It is no capture file.
        """
        magic = self._read(4)
        if magic in _PCAP:
            return self._pcap(*_PCAP[magic])
        if magic == b"\n\r\r\n":
            return self._pcapng()
        raise FileInvalid(
            self._file.name, None, "is no packet capture; pcap and pcapng are read, plain or packed by gzip"
        )

    def _ended(self, where: str) -> None:
        """The file ends inside of something."""
        self.fault = self._file.damage or f"it ends inside of {where}"

    def _pcap(self, order: str, resolution: float) -> Iterator[Packet]:
        head = self._read(20)
        if len(head) < 20:
            self._ended("its header")
            return
        link = struct.unpack_from(order + "I", head, 16)[0] & 0x0FFFFFFF  # above: the length of the FCS
        record = struct.Struct(order + "IIII").unpack_from
        rest = b""
        while piece := self._read(PIECE):
            data = rest + piece
            at, size = 0, len(data)
            while at + 16 <= size:
                seconds, part, captured, length = record(data, at)
                start = at + 16
                end = start + captured
                if end > size:
                    break
                yield (seconds + part * resolution, length, link, data, start, end)
                at = end
            rest = data[at:]
            if len(rest) >= 16 and record(rest, 0)[2] > LARGEST:
                self.fault = f"a packet claims {record(rest, 0)[2]} bytes, more than {LARGEST}"
                return
        if rest or self._file.damage:
            self._ended("a packet")

    def _pcapng(self) -> Iterator[Packet]:
        begin = self._section()
        while begin is not None:
            order, skip = begin
            if not self._skip(skip):
                return
            begin = None
            seconds = 0.0
            known: list[tuple[int, float, float, int]] = []  # link, resolution, offset, snap length
            head = struct.Struct(order + "II").unpack
            packet = struct.Struct(order + "IIIII").unpack_from
            raw = self._read(8)
            while len(raw) == 8:
                kind, length = head(raw)
                if kind == _SECTION:
                    begin = self._section(raw[4:])
                    break
                if length < 12 or length % 4 or length > BLOCK:
                    self.fault = f"it has a block of {length} bytes, which is none"
                    return
                body = self._read(length)  # with the beginning of the block that follows
                if len(body) < length - 8:
                    self._ended("a block")
                    return
                raw = body[length - 8 :]
                end = length - 12
                if kind == _PACKET and end >= 20:
                    interface, high, low, captured, wire = packet(body)
                    if interface < len(known) and 20 + captured <= end and captured <= LARGEST:
                        link, resolution, offset, _ = known[interface]
                        seconds = ((high << 32) | low) * resolution + offset
                        yield (seconds, wire, link, body, 20, 20 + captured)
                elif kind == _SIMPLE and end >= 4 and known:
                    wire = struct.unpack_from(order + "I", body)[0]
                    captured = min(wire, end - 4, known[0][3] or end, LARGEST)
                    self.untimed += 1
                    yield (seconds, wire, known[0][0], body, 4, 4 + captured)
                elif kind == _OLD_PACKET and end >= 20:
                    interface, _, high, low, captured, wire = struct.unpack_from(order + "HHIIII", body)
                    if interface < len(known) and 20 + captured <= end and captured <= LARGEST:
                        link, resolution, offset, _ = known[interface]
                        seconds = ((high << 32) | low) * resolution + offset
                        yield (seconds, wire, link, body, 20, 20 + captured)
                elif kind == _INTERFACE and end >= 8 and len(known) < INTERFACES:
                    known.append(_interface(body, end, order))
                elif kind == _STATISTICS and end >= 12:
                    self._count(_options(body, 12, end, order), order)
            else:
                if raw or self._file.damage:
                    self._ended("a block")

    def _section(self, raw: bytes | None = None) -> tuple[str, int] | None:
        """Read a section's header as far as its byte order; return that and how many of its bytes follow."""
        raw = (raw or self._read(4)) + self._read(4)
        order = _ORDERS.get(raw[4:])
        if len(raw) < 8 or order is None:
            self.fault = self.fault or "a section of it names no byte order"
            return None
        length: int = struct.unpack(order + "I", raw[:4])[0]
        if length < 28 or length > BLOCK:
            self.fault = f"it has a section header of {length} bytes, which is none"
            return None
        return order, length - 12

    def _skip(self, size: int) -> bool:
        if len(self._read(size)) == size:
            return True
        self._ended("a section header")
        return False

    def _count(self, options: dict[int, bytes], order: str) -> None:
        """Add what an interface says it lost."""
        numbers = {
            code: struct.unpack(order + "Q", value)[0] for code, value in options.items() if len(value) == 8
        }
        if _RECEIVED in numbers:
            self.received += numbers[_RECEIVED]
        lost = [numbers[code] for code in (_DROPPED, _DROPPED_BY_SYSTEM) if code in numbers]
        if lost:
            self.dropped = (self.dropped or 0) + sum(lost)


def _interface(body: bytes, end: int, order: str) -> tuple[int, float, float, int]:
    link, _, snap = struct.unpack_from(order + "HHI", body)
    options = _options(body, 8, end, order)
    resolution = 1e-6
    if len(unit := options.get(_RESOLUTION, b"")) == 1:
        # A resolution beyond these would only make times that no clock has.
        resolution = 2.0 ** -(unit[0] & 0x7F) if unit[0] & 0x80 else 10.0 ** -min(unit[0], 18)
    offset = 0.0
    if len(shift := options.get(_TIME_OFFSET, b"")) == 8:
        offset = float(struct.unpack(order + "q", shift)[0])
    return link, resolution, offset, snap


def _options(body: bytes, at: int, end: int, order: str) -> dict[int, bytes]:
    """Options of a block by code; of one that repeats the first counts."""
    found: dict[int, bytes] = {}
    while at + 4 <= end:
        code, length = struct.unpack_from(order + "HH", body, at)
        at += 4
        if not code or at + length > end:
            break
        found.setdefault(code, body[at : at + length])
        at += length + -length % 4
    return found
