"""The packets of captures, handed on as connections and datagrams of devices. What concerns no device is counted and passed over.

Headers are read by our own code, since most of a capture is of no interest; no payload of anybody else is looked at.
"""

from __future__ import annotations

import struct
from collections import Counter
from collections.abc import Callable, Collection, Iterable

from hardenprobe.listening.fragments import Fragments
from hardenprobe.listening.streams import Streams
from hardenprobe.network.capture import frames
from hardenprobe.network.capture.frames import TCP, UDP, Frame
from hardenprobe.usage.link_layer import ETHERNET, KNOWN, network_at
from hardenprobe.usage.packet_file import Packet

PAIRS = 1 << 16  # of addresses that are known to be of no interest
OTHERS = 100_000  # addresses beside the devices' that are told apart
_BEGINS_OR_ENDS = 0x07  # FIN, SYN and RST

Datagrams = Callable[[bytes, bytes, bytes, float], None]
"""Takes a datagram: source and target (address and port, packed), payload, seconds."""


class Traffic:
    """Traffic of some addresses.

    Attributes:
        packets: How many were read.
        earliest, latest: When the first and the last of them passed; None before any.
        steps: How often the clock of the capture went back by more than a second.
        others: Addresses beside the devices'.
        met: Which of the devices' addresses sent anything, and when they first did.
        snapped: Packets of devices of which the capture holds less than there was.
        unread: Packets of link types that are not read, by link type.

    Args:
        devices: Their addresses, packed.
        streams: Takes the segments.
        datagrams: Takes the datagrams.
    """

    def __init__(self, devices: Collection[bytes], streams: Streams, datagrams: Datagrams) -> None:
        self.packets = self.steps = self.snapped = 0
        self.earliest: float | None = None
        self.latest: float | None = None
        self.others: set[bytes] = set()
        self.met: dict[bytes, float] = {}
        self.unread: Counter[int] = Counter()
        self.fragments = Fragments()
        self._devices = frozenset(devices)
        self._strangers: set[bytes] = set()  # pairs of source and target
        self._streams = streams
        self._datagrams = datagrams

    def read(self, packets: Iterable[Packet]) -> None:
        """Read packets. The way most of them take, plain IP over untagged Ethernet between others, is kept short."""
        # EtherType, version and length of the IP header; addresses
        header = struct.Struct("!12xI10x8s").unpack_from
        strangers = self._strangers
        count, newest = 0, self.latest if self.latest is not None else float("-inf")
        for seconds, length, link, data, start, end in packets:
            count += 1
            if seconds > newest:
                newest = seconds
            elif newest - seconds > 1:
                self.steps += 1
                self._seen(newest)
                self._seen(seconds)
                newest = seconds
            if end - start > 53 and link == ETHERNET:
                kind, pair = header(data, start)
                if pair in strangers and kind >> 12 == 0x08004:
                    continue
                if kind >> 12 == 0x86DD6 and data[start + 22 : start + 54] in strangers:
                    continue
                if kind >> 8 == 0x080045 and self._passes(data, start):
                    continue
            self._packet(seconds, length, link, data, start, end)
        self.packets += count
        if count:
            self._seen(newest)

    def _passes(self, data: bytes, start: int) -> bool:
        """Whether a packet of IPv4 over Ethernet belongs to a connection of which nothing more is of interest."""
        if data[start + 23] != TCP or data[start + 47] & _BEGINS_OR_ENDS or data[start + 20] & 0x3F:
            return False
        ends = data[start + 26 : start + 38]
        return self._streams.passes(ends[:4] + ends[8:10], ends[4:8] + ends[10:])

    def finish(self) -> None:
        """Nothing more will come."""
        self._streams.finish()
        self.fragments.finish()

    def _seen(self, seconds: float) -> None:
        self.earliest = seconds if self.earliest is None else min(self.earliest, seconds)
        self.latest = seconds if self.latest is None else max(self.latest, seconds)

    def _packet(self, seconds: float, length: int, link: int, data: bytes, start: int, end: int) -> None:
        """A packet of any shape."""
        if self.earliest is None:
            self._seen(seconds)
        at = network_at(link, data, start, end)
        if at is None:
            if link not in KNOWN:
                self.unread[link] += 1
            return
        if end - at < 20:
            return
        pair = data[at + 12 : at + 20] if data[at] >> 4 == 4 else data[at + 8 : at + 40]
        if pair in self._strangers:
            return
        ip = frames.network(data, at, end)
        if ip is None:
            return
        if not self._concerns(ip, pair, seconds):
            return
        snapped = length > end - start and ip.end >= end
        self.snapped += snapped
        body = data[ip.start : ip.end]
        if ip.offset or ip.more:
            whole = None if snapped else self.fragments.add(ip, body)
            if whole is None:
                return
            body = whole
        if ip.protocol == TCP:
            self._segment(ip, body, snapped, seconds)
        elif ip.protocol == UDP and len(body) >= 8 and not snapped:
            size = int.from_bytes(body[4:6], "big")
            if 8 <= size <= len(body):
                self._datagrams(ip.source + body[:2], ip.target + body[2:4], body[8:size], seconds)

    def _concerns(self, ip: Frame, pair: bytes, seconds: float) -> bool:
        """One of the ends is a device. Others are counted."""
        ours = False
        for address in (ip.source, ip.target):
            if address in self._devices:
                ours = True
            elif len(self.others) < OTHERS:
                self.others.add(address)
        if ip.source in self._devices:
            self.met.setdefault(ip.source, seconds)
        if not ours:
            if len(self._strangers) >= PAIRS:
                self._strangers.clear()
            self._strangers.add(pair)
        return ours

    def _segment(self, ip: Frame, body: bytes, snapped: bool, seconds: float) -> None:
        if len(body) < 20:
            return
        number, acknowledged, offset, flags = struct.unpack_from("!IIBB", body, 4)
        at = 4 * (offset >> 4)
        if not 20 <= at <= len(body):
            return
        self._streams.segment(
            ip.source + body[:2],
            ip.target + body[2:4],
            number,
            acknowledged,
            flags,
            body[at:],
            snapped,
            seconds,
        )
