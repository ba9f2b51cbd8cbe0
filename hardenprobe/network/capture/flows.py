"""Whose a captured packet is. Link reports each socket that it opens; every other packet belongs to others.

A packet is the scan's where its protocol, the device's address and both ports are those of such a socket, or where it is
an ICMP error that quotes one, or a later fragment of such a packet. The kernel shows some packets twice (on loopback
going out and coming in; on a bridge and on its port), so each direction of a socket is taken from the place where it was
met first. Nothing here reads or keeps a packet.
"""

from __future__ import annotations

import time
from array import array
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from hardenprobe.model.transcript import Recorder
from hardenprobe.network.capture import frames
from hardenprobe.network.capture.frames import Frame

SENT, RECEIVED, TOLD = (
    "sent",
    "received",
    "told",
)  # by the scanner, by the device, about what the scanner sent
LINGER = 1.0  # seconds for which packets of a socket may still come after it was closed
FORGET = 10.0  # seconds after which they have surely been read
FRAGMENTED = 256  # datagrams in pieces at one time; a flood must not fill memory

Key = tuple[int, bytes, int | None, int]
"""Protocol, the device's address (GROUP for whoever answers a group) and port (None for any), and our port."""

GROUP = b""


@dataclass(eq=False, slots=True, kw_only=True)
class Flow:
    """The packets of one socket.

    Attributes:
        port: As assigned, without a lab's offset.
        ours: Our own address, packed; None where the system chooses it when the first packet leaves.
        admits: Tells of a packed address whether its answer to a group is to be kept.
        recorder: Keeps the transcript of the same exchange, None where there is none.
        packets: Their numbers.
        size: Bytes of the file that they take.
        places: Interface and kind of packet, for each direction, where it is taken.
        first: Sequence number of the first byte, by direction.
        held: What network/capture/capture.py may still show of them.
        held_size: Bytes of memory that this takes.
        ended: When the socket was closed, seconds since 1970.
        spoken_for: An observation names it.
        released: Nothing more is to be held.
    """

    key: Key
    transport: str
    port: int
    ours: bytes | None
    recorder: Recorder | None = None
    admits: Callable[[bytes], bool] | None = None
    packets: array[int] = field(default_factory=lambda: array("L"))
    size: int = 0
    places: dict[str, tuple[str, int]] = field(default_factory=dict)
    first: dict[str, int] = field(default_factory=dict)
    held: list[Any] = field(default_factory=list)
    held_size: int = 0
    ended: float | None = None
    spoken_for: bool = False
    released: bool = False


class Flows:
    """The sockets of a scan that are open, or were a moment ago."""

    def __init__(self) -> None:
        self._by_key: dict[Key, Flow] = {}
        self._ended: deque[Flow] = deque()
        self._fragments: dict[tuple[bytes, bytes, int, int], tuple[Flow, str]] = {}

    def begin(self, flow: Flow) -> None:
        """From now on the packets of this socket are the scan's."""
        while self._ended and (self._ended[0].ended or 0) + FORGET < time.time():
            old = self._ended.popleft()
            if self._by_key.get(old.key) is old:
                del self._by_key[old.key]
        self._by_key[flow.key] = flow

    def end(self, flow: Flow) -> None:
        """The socket is closed. Twice is harmless."""
        if flow.ended is None:
            flow.ended = time.time()
            self._ended.append(flow)

    def owner(self, frame: Frame, place: tuple[str, int], stamp: float) -> tuple[Flow, str] | None:
        """Whose packet it is, and which way it goes; None where it is not the scan's, or was met elsewhere already.

        Args:
            place: Name of the interface, and kind of packet (packet(7), sll_pkttype).
            stamp: When it was seen, seconds since 1970.
        """
        found = self._owner(frame)
        if found is None:
            return None
        flow, way = found
        if flow.places.setdefault(way, place) != place or _late(flow, frame, way, stamp):
            return None
        if frame.more and not frame.offset:
            while len(self._fragments) >= FRAGMENTED:
                del self._fragments[next(iter(self._fragments))]
            self._fragments[_datagram(frame)] = found
        return found

    def _owner(self, frame: Frame) -> tuple[Flow, str] | None:
        if frame.offset:
            return self._fragments.get(_datagram(frame))
        inner = frame.quoted or frame
        device, us = (inner.target, inner.target_port), (inner.source, inner.source_port)
        if flow := self._find(inner.protocol, device, us):
            return flow, TOLD if frame.quoted else SENT
        flow = self._find(frame.protocol, us, device)
        return (flow, RECEIVED) if flow and (flow.admits is None or flow.admits(frame.source)) else None

    def _find(self, protocol: int, device: tuple[bytes, int], us: tuple[bytes, int]) -> Flow | None:
        (address, port), (mine, my_port) = device, us
        table = self._by_key
        found = (
            table.get((protocol, address, port, my_port))
            or table.get((protocol, address, None, my_port))
            or table.get((protocol, GROUP, None, my_port))
        )
        return found if found and found.ours in (None, mine) else None


def _datagram(frame: Frame) -> tuple[bytes, bytes, int, int]:
    return frame.source, frame.target, frame.protocol, frame.ident


def _late(flow: Flow, frame: Frame, way: str, stamp: float) -> bool:
    """Tell whether the socket was closed when the packet came, so that its port may be another process's by now."""
    if flow.ended is None or stamp <= flow.ended:
        return False
    fresh = frame.protocol == frames.UDP or bool(frame.flags & frames.SYN)
    return stamp > flow.ended + LINGER or (way == SENT and fresh)
