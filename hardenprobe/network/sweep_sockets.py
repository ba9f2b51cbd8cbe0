"""Sockets of a first touch: which of thousands are ready, and SNMP discoveries that share one socket for each family."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import random
import secrets
import select
import selectors
import socket
import sys
from collections.abc import Callable, Iterator, Mapping
from ipaddress import IPv6Address
from struct import Struct, pack_into
from typing import TYPE_CHECKING, Protocol

from hardenprobe.errors import ScopeRefused
from hardenprobe.network.sockets import ERROR_QUEUE, RECEIVE_ERRORS

if TYPE_CHECKING:
    from hardenprobe.network.capture.socket_tap import SweepTap

LONGEST_REPLY = 2048  # bytes; a report is about 100, and nothing behind the message id is read
RECEIVED_AT_ONCE = 2048  # replies before connections get their turn
READABLE, WRITABLE = 1, 4  # EPOLLIN and EPOLLOUT
BUFFER = 1 << 20  # bytes of receive buffer asked for; the system may give less
_EXTENDED_ERROR = Struct("=IBBBB")  # linux/errqueue.h: the beginning of what the queue of errors says of each
_BIND_WITHOUT_PORT = 24  # Linux, ip(7): the port is chosen at connect, when the peer is known
_NO_ROOM = frozenset({errno.ENOBUFS, errno.ENOMEM})
# How a message begins whose lengths take one octet and whose id takes four, as nearly all do.
_SHORT, _SHORT_TAGS = Struct(">BB3sBBHi"), (0x30, b"\x02\x01\x03", 0x30, 0x0204)
_STREAM = socket.SOCK_STREAM | getattr(socket, "SOCK_NONBLOCK", 0)


class Poller(Protocol):
    """Tells which of many sockets are ready."""

    def watch(self, descriptor: int, events: int, /) -> None:
        """Report a socket while it is READABLE, or once it is WRITABLE: connected, or failed."""
        ...

    def forget(self, descriptor: int, /) -> None:
        """Report a socket no more; it is about to be closed."""
        ...

    def ready(self) -> list[tuple[int, int]]:
        """Descriptors with what they are ready for, without waiting."""
        ...

    def fileno(self) -> int | None:
        """A descriptor that is readable while some socket is ready, None where the system has none."""
        ...

    def close(self) -> None: ...


class EpollPoller:
    """The fast one, of Linux."""

    def __init__(self) -> None:
        self._epoll = select.epoll()
        self.watch = self._epoll.register  # no call of this module between: there are thousands a second
        self.fileno = self._epoll.fileno
        self.close = self._epoll.close

    def forget(self, descriptor: int, /) -> None:
        """Closing is enough."""

    def ready(self) -> list[tuple[int, int]]:
        return self._epoll.poll(0)


class SelectorPoller:
    """The one of every system."""

    def __init__(self) -> None:
        self._selector = selectors.DefaultSelector()

    def watch(self, descriptor: int, events: int, /) -> None:
        self._selector.register(
            descriptor, selectors.EVENT_READ if events == READABLE else selectors.EVENT_WRITE
        )

    def forget(self, descriptor: int, /) -> None:
        self._selector.unregister(descriptor)

    def ready(self) -> list[tuple[int, int]]:
        return [(key.fd, events) for key, events in self._selector.select(0)]

    def fileno(self) -> int | None:
        return None

    def close(self) -> None:
        self._selector.close()


def poller() -> Poller:
    """The fastest one that this system has."""
    return EpollPoller() if hasattr(select, "epoll") else SelectorPoller()


class Sleeper:
    """Sleeps in the running event loop until a time is over or a socket of a poller is ready."""

    BLIND = 0.01  # seconds; the longest sleep where the loop cannot watch the poller

    def __init__(self, watched: Poller) -> None:
        self._loop = asyncio.get_running_loop()
        self._descriptor = watched.fileno()
        self._waiting: asyncio.Future[None] | None = None
        if self._descriptor is not None:
            try:
                self._loop.add_reader(self._descriptor, self._wake)
            except NotImplementedError:
                self._descriptor = None

    async def sleep(self, seconds: float) -> None:
        """Sleep; 0 only gives other tasks their turn."""
        if seconds <= 0:
            await asyncio.sleep(0)
        elif self._descriptor is None:
            await asyncio.sleep(min(seconds, self.BLIND))
        else:
            self._waiting = self._loop.create_future()
            timer = self._loop.call_later(seconds, self._wake)
            try:
                await self._waiting
            finally:
                timer.cancel()
                self._waiting = None

    def close(self) -> None:
        if self._descriptor is not None:
            self._loop.remove_reader(self._descriptor)

    def _wake(self) -> None:
        if self._waiting is not None and not self._waiting.done():
            self._waiting.set_result(None)


def stream_socket(v6: bool, source: str | None, port_at_once: bool = False) -> socket.SocketType:
    """A TCP socket that does not wait, bound to a source address.

    Args:
        port_at_once: Give it its port now, and not when it connects.

    Raises:
        OSError: There is no room for another, or no such source address.
    """
    # Without makefile() and all, a socket is made in half the time.
    sock = socket.SocketType(socket.AF_INET6 if v6 else socket.AF_INET, _STREAM)
    if _STREAM == socket.SOCK_STREAM:
        sock.setblocking(False)
    if source is not None or port_at_once:
        try:
            if sys.platform == "linux" and not port_at_once:
                sock.setsockopt(socket.IPPROTO_IP, _BIND_WITHOUT_PORT, 1)
            sock.bind((source or "", 0))
        except BaseException:
            sock.close()
            raise
    return sock


def descriptors(wanted: int = 0) -> int:
    """How many files and sockets this process may have open, after raising its own limit as far as it may.

    Args:
        wanted: To be allowed to have so many.
    """
    try:
        import resource
    except ImportError:  # Windows
        return 1024
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        with contextlib.suppress(OSError, ValueError):
            soft = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
            resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
        soft = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    return 1 << 20 if soft == resource.RLIM_INFINITY else soft


class Discovery:
    """SNMP engine discoveries (RFC 3414 section 4) to many addresses.

    Args:
        sources: Our own address for IPv4 (False) and IPv6 (True), None to let the system choose.
        encode: Makes the discovery with a message id.
        tap: Learns of every discovery before it leaves.
    """

    def __init__(
        self,
        sources: Mapping[bool, str | None],
        port: int,
        watched: Poller,
        encode: Callable[[int], bytes],
        tap: SweepTap | None = None,
    ) -> None:
        self._sources = sources
        self._port = port
        self._watched = watched
        self._tap = tap
        self._opened: dict[bool, socket.socket] = {}
        self._random = random.Random(secrets.randbits(64))
        # Ids of 31 bits with the highest set are all encoded in four octets, so that one can be changed in place. It is
        # the message that a report answers; the request id within stays the same.
        first = 1 << 30
        self._datagram = bytearray(encode(first))
        self._place = self._datagram.index(first.to_bytes(4))
        self.size = len(self._datagram)
        self.descriptors: dict[int, socket.socket] = {}

    def new_id(self) -> int:
        return 1 << 30 | self._random.getrandbits(30)

    def send(self, address: str, v6: bool, message_id: int) -> bool:
        """Send one discovery; False where this machine had no room for it. What it will not send otherwise is lost, as on the way."""
        sock = self._opened.get(v6) or self._open(v6)
        pack_into(">I", self._datagram, self._place, message_id)
        if self._tap:
            self._tap.begin("udp", (address, self._port), sock.getsockname())
        try:
            sock.sendto(self._datagram, (address, self._port))
        except OSError:  # perhaps only the news of an earlier datagram, which held this one up
            try:
                sock.sendto(self._datagram, (address, self._port))
            except OSError as exc:
                return exc.errno not in _NO_ROOM
        return True

    def receive(self, descriptor: int) -> Iterator[tuple[str, int | None, int]]:
        """What has come: address, message id and size; None for the id of a port that is unreachable."""
        sock = self.descriptors[descriptor]
        for _ in range(RECEIVED_AT_ONCE):
            try:
                data, peer = sock.recvfrom(LONGEST_REPLY)
            except BlockingIOError:
                break
            except OSError:
                continue  # the news of a datagram, which is reported in full below
            if peer[1] == self._port and (message_id := read_message_id(data)) is not None:
                yield _plain(peer[0]), message_id, len(data)
        if sys.platform == "linux":
            yield from _unreachable(sock)

    def close(self) -> None:
        for sock in self._opened.values():
            self._watched.forget(sock.fileno())
            sock.close()

    def _open(self, v6: bool) -> socket.socket:
        family = socket.AF_INET6 if v6 else socket.AF_INET
        sock = socket.socket(family, socket.SOCK_DGRAM)
        try:
            sock.setblocking(False)
            with contextlib.suppress(OSError):
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER)
            if sys.platform == "linux":
                sock.setsockopt(*RECEIVE_ERRORS[family], 1)
            source = self._sources[v6]
            if source or self._tap:
                sock.bind((source or "", 0))
        except (OSError, ScopeRefused):
            sock.close()
            raise
        self._opened[v6] = sock
        self.descriptors[sock.fileno()] = sock
        self._watched.watch(sock.fileno(), READABLE)
        return sock


def _unreachable(sock: socket.socket) -> Iterator[tuple[str, None, int]]:
    """The addresses that reported, by ICMP, that the port is closed."""
    for _ in range(RECEIVED_AT_ONCE):
        try:
            _, extra, _, peer = sock.recvmsg(1, 512, ERROR_QUEUE)
        except OSError:
            return
        for level, kind, value in extra:
            if (level, kind) in RECEIVE_ERRORS.values() and len(value) >= _EXTENDED_ERROR.size:
                number, origin, *_ = _EXTENDED_ERROR.unpack_from(value)
                if number == errno.ECONNREFUSED and origin in (2, 3):  # ICMP, ICMPv6
                    yield _plain(peer[0]), None, 0


def _plain(address: str) -> str:
    """The text by which an address is known, RFC 5952 and without a zone."""
    return str(IPv6Address(address.partition("%")[0])) if ":" in address else address


def read_message_id(data: bytes) -> int | None:
    """The msgID of an SNMPv3 message, None where the bytes are none. Nothing behind it is read.

    Source: RFC 3412 section 6; X.690 section 8.1.3 for lengths.

    >>> read_message_id(bytes.fromhex("303a020103300f02047fffffff020300ffe3"))
    2147483647
    """
    if len(data) >= _SHORT.size:
        outer, length, version, inner, size, kind, message_id = _SHORT.unpack_from(data)
        if length < 0x80 > size and (outer, version, inner, kind) == _SHORT_TAGS:
            return int(message_id)
    try:
        at = _content(data, 0)
        if data[0] != 0x30 or data[at : at + 3] != b"\x02\x01\x03":
            return None
        header = at + 3
        at = _content(data, header)
        if data[header] != 0x30 or data[at] != 0x02 or not 1 <= data[at + 1] <= 4:
            return None
        octets = data[at + 2 : at + 2 + data[at + 1]]
    except IndexError:
        return None
    return int.from_bytes(octets, signed=True) if len(octets) == data[at + 1] else None


def _content(data: bytes, at: int) -> int:
    """Where the content of the BER element at an offset begins."""
    size = data[at + 1]
    return at + 2 + (size & 0x7F if size & 0x80 else 0)
