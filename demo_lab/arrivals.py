"""What arrives at a station's own link, whatever its filter does with it: connections, how many at a time, and bytes."""

from __future__ import annotations

import socket
from collections import Counter
from collections.abc import Container
from ipaddress import ip_address
from struct import unpack_from

from hardenprobe.demo_lab import namespaces

_ALL = 0x0003  # ETH_P_ALL, linux/if_ether.h
_BUFFER = 1 << 22
FIN, SYN, RESET, ACK = 0x01, 0x02, 0x04, 0x10  # RFC 9293 section 3.1
_TCP = 6

Connection = tuple[bytes, int, bytes, int]


class Arrivals:
    """Counts TCP that comes to a station.

    Attributes:
        requests: Connections that were asked for; one whose request is repeated counts once.
        peak: The most that were established at the same moment, as far as the client's packets tell.
        received: TCP port to the bytes that came to it.
    """

    def __init__(self, addresses: Container[str]) -> None:
        self._addresses = addresses
        self._requests: dict[Connection, bool] = {}  # whether the client has closed
        self._established: set[Connection] = set()
        self.peak = 0
        self.received: Counter[int] = Counter()

    @property
    def requests(self) -> int:
        return len(self._requests)

    def take(self, frame: bytes) -> None:
        """Count one Ethernet frame."""
        kind = unpack_from(">H", frame, 12)[0] if len(frame) > 14 else 0
        if kind == 0x0800 and frame[23] == _TCP:
            at = 14 + 4 * (frame[14] & 0x0F)
            end = 14 + unpack_from(">H", frame, 16)[0]
            there, here = frame[26:30], frame[30:34]
        elif kind == 0x86DD and frame[20] == _TCP:
            at, end = 54, 54 + unpack_from(">H", frame, 18)[0]
            there, here = frame[22:38], frame[38:54]
        else:
            return
        if str(ip_address(here)) in self._addresses:
            self._take(there, here, frame[at:end])

    def _take(self, there: bytes, here: bytes, segment: bytes) -> None:
        source, port = unpack_from(">HH", segment)
        flags, size = segment[13], len(segment) - 4 * (segment[12] >> 4)
        one = (there, source, here, port)
        if flags & SYN:
            self._requests[one] = False
        elif flags & (RESET | FIN):
            self._requests[one] = True
            self._established.discard(one)
        elif flags & ACK and self._requests.get(one) is False:
            self._established.add(one)
            self.peak = max(self.peak, len(self._established))
        self.received[port] += size


def listening(name: str) -> socket.socket:
    """A socket that hears everything on the link of a station, by the name of its namespace; packet(7)."""
    with namespaces.inside(name):
        sock = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(_ALL))
    sock.setblocking(False)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER)
    sock.bind(("e0", 0))
    return sock
