"""Keeps the headers of the packets that prove the state of a port, where this process may capture. Nothing of a payload stays.

The filter lets through what decides: TCP segments that open or reset a connection (SYN and RST, RFC 9293 section 3.5),
and ICMP errors. They wait in the kernel until a visit is over; then those of the visit's own connections are named in the
observations that no exchanged bytes prove.
"""

from __future__ import annotations

import logging
import socket
from collections import OrderedDict
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from typing import Any, Literal

from hardenprobe.errors import UsageError
from hardenprobe.model import Observation, PacketHeader, SocketRecord
from hardenprobe.network.capture import frames, packet_socket

log = logging.getLogger(__name__)

OF_ONE = 6
"""Packets of one connection: a request that is repeated some times, or one, its answer, and the end."""

_PLACES = 4096  # endpoints remembered; more than the devices that are visited at one time have
_OF_PLACE = 64  # packets of one endpoint that wait to be named
_LONGEST = 256  # octets: headers of both layers with their options, and those that an ICMP error quotes
_OUTGOING = 4  # PACKET_OUTGOING of packet(7)

_Direction = Literal["sent", "received", "told"]
_Seen = tuple[float, int, _Direction, bytes]
"""When, seconds since 1970; our port; which way; the octets."""


class HeaderTrace:
    """The headers that were seen lately. Use `tracing()`."""

    def __init__(self, sock: socket.socket) -> None:
        self._sock = sock
        self._seen: OrderedDict[tuple[int, bytes, int], list[_Seen]] = OrderedDict()

    def named(self, seen: Iterable[Observation[Any]]) -> list[Observation[Any]]:
        """The observations of a visit that is over; those that rest on connections alone name the packets of these."""
        self.read()
        found: dict[SocketRecord, list[_Seen]] = {}
        return [
            one if one.transcript or not one.sockets else replace(one, headers=self._of(one, found))
            for one in seen
        ]

    def _of(self, one: Observation[Any], found: dict[SocketRecord, list[_Seen]]) -> tuple[PacketHeader, ...]:
        began = datetime.fromisoformat(one.asked_at).timestamp()
        for record in one.sockets:
            if record not in found:
                found[record] = self._take(record)
        mine = sorted({seen for record in one.sockets for seen in found[record]})
        return tuple(
            PacketHeader(at=round(at - began, 4), direction=way, hex=head.hex()) for at, _, way, head in mine
        )

    def _take(self, record: SocketRecord) -> list[_Seen]:
        """The packets of one connection, each given away once; the kernel may have no port of one that was refused."""
        place = (frames.PROTOCOLS[record.transport], frames.packed(record.remote), record.remote_port)
        waiting = self._seen.pop(place, [])
        port = record.local_port or (waiting[0][1] if waiting else 0)
        if rest := [seen for seen in waiting if seen[1] != port]:
            self._seen[place] = rest
        return [seen for seen in waiting if seen[1] == port][:OF_ONE]

    def read(self) -> None:
        """Take what the kernel holds, before it has room for no more."""
        while True:
            try:
                packet, extra, _, place = self._sock.recvmsg(_LONGEST, packet_socket.EXTRA)
            except OSError:  # nothing is left, or the interface went
                return
            sent, local = place[2] == _OUTGOING, place[0] == "lo"
            frame = None if sent and local else frames.read(packet)  # it comes in as well
            if frame is not None:
                self._keep(packet, frame, packet_socket.seen_at(extra), sent=sent, local=local)

    def _keep(self, packet: bytes, frame: frames.Frame, stamp: float, *, sent: bool, local: bool) -> None:
        about = frame.quoted or frame
        head = packet[: min(frame.payload, frame.end)]
        ways: list[tuple[bytes, int, int, _Direction]] = []
        if frame.quoted:
            ways = [(about.target, about.target_port, about.source_port, "told")]
        elif frame.protocol == frames.TCP:
            if sent or local:  # on loopback the connection that takes a packet says which of its ends is ours
                ways.append((frame.target, frame.target_port, frame.source_port, "sent"))
            if not sent:
                ways.append((frame.source, frame.source_port, frame.target_port, "received"))
        for device, port, ours, way in ways:
            key = (about.protocol, device, port)
            kept = self._seen.setdefault(key, [])
            if len(kept) < _OF_PLACE:
                kept.append((stamp, ours, way, head))
            self._seen.move_to_end(key)
        while len(self._seen) > _PLACES:
            self._seen.popitem(last=False)


@contextmanager
def tracing(networks: Iterable[str]) -> Iterator[HeaderTrace | None]:
    """Trace until the block ends; None where this process may not capture, and the kernel's account has to do.

    Args:
        networks: Where the devices are, as CIDR text.
    """
    try:
        sock = packet_socket.opened(networks, deciding=True)
    except UsageError as exc:
        log.debug("packet headers are not kept: %s", exc)
        yield None
        return
    with sock:
        yield HeaderTrace(sock)
