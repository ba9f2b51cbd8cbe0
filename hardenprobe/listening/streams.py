"""TCP connections put together from captured segments, in bounded memory.

Everything in a capture is hostile. Of octets that come twice the first count, whatever the second say; what the capture lacks is
told as a gap, and so is what would take more memory than is left. Nothing depends on the times that a capture states.

Source: RFC 9293 sections 3.4 (sequence numbers) and 3.5 (connections).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

SYN, FIN, RST, ACK = 0x02, 0x01, 0x04, 0x10
MOST = 5_000  # connections at once that are still listened to
HELD = 1 << 18  # bytes of one side that wait for what comes before them
SEGMENTS = 64  # of one side that wait
HELD_IN_ALL = 1 << 25  # bytes that wait, of all connections
KEPT_IN_ALL = 1 << 26  # bytes that the listeners of all connections hold until they understand them
WINDOW = 1 << 24  # octets ahead that a segment may be; a window is no larger by common practice
_NUMBERS = 1 << 32


class Listener(Protocol):
    """What hears a connection, in the order in which its ends spoke.

    Attributes:
        done: It wants to hear no more.
    """

    done: bool

    @property
    def held(self) -> int:
        """How many bytes it holds, of what it has yet to understand."""
        ...

    def accepted(self, seconds: float) -> None:
        """The server took the connection."""

    def heard(self, by_client: bool, data: bytes, seconds: float) -> None:
        """One side said something that follows what it said before."""

    def missed(self, by_client: bool) -> None:
        """What a side said next is missing from the capture; nothing more of it is heard."""

    def closed(self, by_client: bool, seconds: float) -> None:
        """One side ended what it says, or the connection."""


Begin = Callable[[bytes, bytes], Listener | None]
"""Gives the listener of a connection, by client and server (address and port, packed); None for one of no interest."""


class _Side:
    """What one end of a connection sends.

    Attributes:
        first, next: The numbers of its first octet and of the one that is due, None as long as that is not known.
        end: The number behind its last octet, None before it said so.
        over: Nothing more of it is heard.
    """

    __slots__ = ("connection", "end", "first", "held", "next", "over", "size")

    def __init__(self, connection: _Connection) -> None:
        self.connection = connection
        self.first: int | None = None
        self.next: int | None = None
        self.end: int | None = None
        self.held: dict[int, bytes] = {}
        self.size = 0
        self.over = False


class _Connection:
    __slots__ = ("client", "kept", "key", "last", "listener", "server", "taken")

    def __init__(self, key: bytes, listener: Listener) -> None:
        self.key = key
        self.listener = listener
        self.client, self.server = _Side(self), _Side(self)
        self.last = self.kept = 0
        self.taken = False


class Streams:
    """Connections as segments make them.

    Attributes:
        gaps: Sides of which something is missing.
        cut: Connections that were given up, since too many were open at once.
        joined: Connections whose beginning is not in the capture.

    Args:
        begin: Gives the listener of each.
        joins: Is told of what a server sends within a connection whose beginning is missing: client and server.
        most: Connections at once.
    """

    def __init__(self, begin: Begin, joins: Callable[[bytes, bytes, float], None], most: int = MOST) -> None:
        self.gaps = self.cut = self.joined = 0
        self._begin = begin
        self._joins = joins
        self._most = most
        self._sides: dict[bytes, _Side] = {}  # by source and target, each with its port
        self._passed: set[bytes] = set()  # of no interest, or heard to the end
        self._waiting = self._kept = 0
        self._turn = 0

    def passes(self, source: bytes, target: bytes) -> bool:
        """Nothing more of this side is of interest, but the beginning of another connection."""
        return source + target in self._passed

    def segment(
        self,
        source: bytes,
        target: bytes,
        number: int,
        acknowledged: int,
        flags: int,
        data: bytes,
        cut: bool,
        seconds: float,
    ) -> None:
        """Take a segment.

        Args:
            source, target: Address and port, packed.
            number, acknowledged: Its sequence and acknowledgment numbers.
            cut: The capture holds less of its data than there was.
        """
        key = source + target
        self._turn += 1
        side = self._sides.get(key)
        if flags & SYN:
            number = (number + 1) % _NUMBERS
            side = self._opened(side, source, target, number, acknowledged if flags & ACK else None, seconds)
        elif side is None and key not in self._passed:
            self._join(source, target, flags, data, seconds)
        if side is None:
            return
        connection = side.connection
        connection.last = self._turn
        if flags & RST:
            self._end(connection, seconds, by_client=side is connection.client)
            return
        self._take(side, number, flags, data, cut, seconds)
        if connection.listener.done:
            self._drop(connection)
        elif data:
            kept = connection.listener.held
            self._kept += kept - connection.kept
            connection.kept = kept
            if self._kept > KEPT_IN_ALL:
                self._make_room()

    def finish(self) -> None:
        """End every connection; nothing more will come."""
        for connection in {id(side.connection): side.connection for side in self._sides.values()}.values():
            self._give_up(connection)
        self._passed.clear()

    def _opened(
        self,
        side: _Side | None,
        source: bytes,
        target: bytes,
        number: int,
        acknowledged: int | None,
        seconds: float,
    ) -> _Side | None:
        """Take a segment that begins one side; None where the connection is of no interest.

        Args:
            number: Of the first octet that will come.
            acknowledged: Of the first octet of the other side, where it began already.
        """
        if side is not None and side.next is not None and side.first != number:
            self._end(side.connection, seconds)  # the ports are used again
            side = None
        if side is None:
            ends = (source, target) if acknowledged is None else (target, source)
            connection = self._open(*ends)
            if connection is None:
                return None
            side = connection.client if acknowledged is None else connection.server
        if side.next is None:
            side.first = side.next = number
        connection = side.connection
        if side is connection.server and not connection.taken:
            connection.taken = True
            if connection.client.next is None:
                connection.client.first = connection.client.next = acknowledged
            connection.listener.accepted(seconds)
        return side

    def _open(self, client: bytes, server: bytes) -> _Connection | None:
        listener = self._begin(client, server)
        if listener is None:
            self._pass(client + server, server + client)
            return None
        self._passed.discard(client + server)
        self._passed.discard(server + client)
        if len(self._sides) >= 2 * self._most:
            self._make_room()
        connection = _Connection(client + server, listener)
        self._sides[client + server] = connection.client
        self._sides[server + client] = connection.server
        return connection

    def _join(self, source: bytes, target: bytes, flags: int, data: bytes, seconds: float) -> None:
        """A connection that was there before the capture: that it is there is all that is heard."""
        if not data or flags & (SYN | RST):
            return
        self.joined += 1
        self._pass(source + target)
        self._joins(target, source, seconds)

    def _pass(self, *keys: bytes) -> None:
        if len(self._passed) >= 8 * self._most:
            self._passed.clear()
        self._passed.update(keys)

    def _take(self, side: _Side, number: int, flags: int, data: bytes, cut: bool, seconds: float) -> None:
        if side.over or side.next is None:
            return
        if flags & FIN and not cut:
            side.end = (number + len(data)) % _NUMBERS
        ahead = (number - side.next) % _NUMBERS
        if ahead >= _NUMBERS // 2:
            data, ahead = data[_NUMBERS - ahead :], 0  # what came already counts as it came
        if ahead > WINDOW:
            return
        if ahead and data:
            self._hold(side, number, data)
        elif data:
            self._deliver(side, data, seconds)
        if cut and not ahead:
            self._gap(side)
        elif cut:
            side.end = None
        if side.next == side.end and not side.over:
            side.over = True
            side.connection.listener.closed(side is side.connection.client, seconds)

    def _deliver(self, side: _Side, data: bytes, seconds: float) -> None:
        listener, by_client = side.connection.listener, side is side.connection.client
        while data and not listener.done:
            assert side.next is not None
            side.next = (side.next + len(data)) % _NUMBERS
            listener.heard(by_client, data, seconds)
            data = self._due(side)

    def _due(self, side: _Side) -> bytes:
        """What waited for the octet that is due now."""
        assert side.next is not None
        for number in list(side.held):
            late = (side.next - number) % _NUMBERS
            if late < _NUMBERS // 2:
                data = side.held.pop(number)
                side.size -= len(data)
                self._waiting -= len(data)
                if late < len(data):
                    return data[late:]
        return b""

    def _hold(self, side: _Side, number: int, data: bytes) -> None:
        if len(side.held.get(number, b"")) >= len(data):
            return
        self._waiting += len(data) - len(side.held.get(number, b""))
        side.size += len(data) - len(side.held.get(number, b""))
        side.held[number] = data
        if side.size > HELD or len(side.held) > SEGMENTS or self._waiting > HELD_IN_ALL:
            self._gap(side)

    def _gap(self, side: _Side) -> None:
        self.gaps += 1
        side.over = True
        self._forget(side)
        side.connection.listener.missed(side is side.connection.client)

    def _forget(self, side: _Side) -> None:
        self._waiting -= side.size
        side.held.clear()
        side.size = 0

    def _end(self, connection: _Connection, seconds: float, by_client: bool | None = None) -> None:
        for side in (connection.client, connection.server):
            if side.held and not side.over:
                self._gap(side)
        if by_client is not None and not connection.listener.done:
            connection.listener.closed(by_client, seconds)
        self._drop(connection)

    def _give_up(self, connection: _Connection) -> None:
        for side in (connection.client, connection.server):
            if side.held and not side.over:
                self._gap(side)
        for by_client in (True, False):
            if not connection.listener.done:
                connection.listener.missed(by_client)
        self._drop(connection)

    def _drop(self, connection: _Connection) -> None:
        self._kept -= connection.kept
        connection.kept = 0
        half = len(connection.key) // 2
        back = connection.key[half:] + connection.key[:half]
        for key, side in ((connection.key, connection.client), (back, connection.server)):
            self._forget(side)
            if self._sides.get(key) is side:
                del self._sides[key]
        self._pass(connection.key, back)

    def _make_room(self) -> None:
        """Give up the older half of the connections."""
        found = {id(side.connection): side.connection for side in self._sides.values()}.values()
        for connection in sorted(found, key=lambda one: one.last)[: (len(found) + 1) // 2]:
            self.cut += 1
            self._give_up(connection)
