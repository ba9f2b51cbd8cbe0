"""What Link needs of sockets beyond the event loop's own calls."""

from __future__ import annotations

import asyncio
import errno
import random
import socket
import sys
from collections.abc import Coroutine
from ipaddress import ip_address
from struct import Struct
from typing import Any, TypeVar

from hardenprobe.model import IcmpError, SocketRecord, Transport
from hardenprobe.network import audit_hook

T = TypeVar("T")

# Linux, linux/tcp.h: tcpi_rtt and, since Linux 5.4, tcpi_snd_wnd of struct tcp_info.
_ROUND_TRIP, _WINDOW = Struct("=68xI"), Struct("=228xI")
# Linux, ip(7), ipv6(7) and linux/errqueue.h: the queue of errors, and what it says of each.
RECEIVE_ERRORS = {socket.AF_INET: (socket.IPPROTO_IP, 11), socket.AF_INET6: (socket.IPPROTO_IPV6, 25)}
ERROR_QUEUE = 0x2000
_EXTENDED_ERROR = Struct("=IBBBBII")
_ICMP = (2, 3)  # ee_origin: ICMP, ICMPv6

_DISCARD = 9  # any port will do to look a route up
READ_LIMIT = 65536  # bytes in one receive; a reader that wants more asks again, under the ceiling


async def connect(sock: socket.socket, there: tuple[str, int], wait: float) -> None:
    """Connect a socket.

    Raises:
        TimeoutError: Nothing came within `wait` seconds.
        OSError: As the system says, a refusal among it.
    """
    await _in_time(asyncio.get_running_loop().sock_connect(sock, there), wait)


def bind_reserved(sock: socket.socket, host: str) -> bool:
    """Bind to a port below 1024 from which a BSD daemon takes a client; tell whether there is one that we may have.

    Source: RFC 1282 section 2.2.
    """
    for port in random.sample(audit_hook.RESERVED, len(audit_hook.RESERVED)):
        try:
            sock.bind((host, port))
        except PermissionError:
            return False
        except OSError as exc:
            if exc.errno != errno.EADDRINUSE:
                raise
        else:
            return True
    return False


async def receive(sock: socket.socket, limit: int, wait: float) -> bytes:
    """The next bytes of a connection, none at its end.

    Raises:
        TimeoutError: Nothing came within `wait` seconds.
        OSError: As the system says, a reset among it.
    """
    return await _in_time(asyncio.get_running_loop().sock_recv(sock, limit), wait)


async def receive_datagram(sock: socket.socket, address: str, wait: float) -> bytes:
    """The next datagram from an address.

    Raises:
        TimeoutError: Nothing came within `wait` seconds.
        OSError: As the socket says, an unreachable port among it.
    """

    async def of_address() -> bytes:
        while True:
            data, peer = await asyncio.get_running_loop().sock_recvfrom(sock, READ_LIMIT)
            if ip_address(peer[0].partition("%")[0]) == ip_address(address):
                return data
            await asyncio.sleep(0)  # a flood from elsewhere must not hold up the timer

    return await _in_time(of_address(), wait)


async def _in_time(work: Coroutine[Any, Any, T], wait: float) -> T:
    """What comes of something within a time; it counts even where this process was too busy to look at it in time.

    A task of its own, since a timeout would cancel what is done already when the loop wakes late. That also lets others
    run where the bytes are there already: a flood must not hold up timers and other devices.
    """
    task = asyncio.ensure_future(work)
    try:
        await asyncio.wait({task}, timeout=wait)
        if task.done():
            return task.result()
        raise TimeoutError
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def family(address: str) -> socket.AddressFamily:
    """The family of sockets that a literal address calls for."""
    return socket.AF_INET6 if ip_address(address).version == 6 else socket.AF_INET


def source_address(address: str, source: str | None = None) -> str | None:
    """Our own address on the way to another, as the system's routes say now; None without a way. Nothing is sent.

    Args:
        source: The address to go from; any by default.
    """
    try:
        with (
            socket.socket(family(address), socket.SOCK_DGRAM) as sock,
            audit_hook.granted(sock, address, _DISCARD, source),
        ):
            if source:
                sock.bind((source, 0))
            sock.connect((address, _DISCARD))
            return str(sock.getsockname()[0])
    except OSError:
        return None


def report_unreachable(sock: socket.socket) -> None:
    """Make a datagram socket tell of an unreachable port and who said so, where the system can (Linux, ip(7): IP_RECVERR)."""
    if sys.platform == "linux":
        sock.setsockopt(*RECEIVE_ERRORS[sock.family], 1)


def icmp_error(sock: socket.socket) -> IcmpError | None:
    """The oldest ICMP error that a socket holds, after `report_unreachable`; None where it holds none."""
    if sys.platform != "linux":
        return None
    try:
        _, extra, _, _ = sock.recvmsg(1, 512, ERROR_QUEUE)
    except OSError:
        return None
    for level, kind, value in extra:
        if (level, kind) == RECEIVE_ERRORS[sock.family] and len(value) > _EXTENDED_ERROR.size:
            _, origin, type_, code, *_ = _EXTENDED_ERROR.unpack_from(value)
            # SO_EE_OFFENDER: behind the error, the sender as a socket address.
            at, size = (4, 4) if sock.family == socket.AF_INET else (8, 16)
            sender = value[_EXTENDED_ERROR.size + at :][:size]
            if origin in _ICMP and len(sender) == size:
                return IcmpError(sender=str(ip_address(sender)), type=type_, code=code)
    return None


def account(
    sock: socket.socket, there: tuple[str, int], outcome: str | OSError, seconds: float
) -> SocketRecord:
    """What the kernel says of a socket that is still open.

    Args:
        outcome: A word of `SocketRecord`, or the system's error.
        seconds: Since the question began.
    """
    transport: Transport = "tcp" if sock.type == socket.SOCK_STREAM else "udp"
    try:
        ours = sock.getsockname()
    except OSError:
        ours = ("", 0)
    connected = transport == "tcp" and outcome == "connected"
    return SocketRecord(
        at=0.0,
        transport=transport,
        local=str(ours[0]),
        local_port=int(ours[1]),
        remote=there[0],
        remote_port=there[1],
        outcome=outcome if isinstance(outcome, str) else errno.errorcode.get(outcome.errno or 0, "error"),
        seconds=round(seconds, 6),
        round_trip_us=_tcp_info(sock, _ROUND_TRIP) if connected else None,
        window=_tcp_info(sock, _WINDOW) if connected else None,
        icmp=icmp_error(sock) if isinstance(outcome, OSError) and transport == "udp" else None,
    )


def _tcp_info(sock: socket.socket, field: Struct) -> int | None:
    if sys.platform != "linux":
        return None
    try:
        info = sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, field.size)
    except OSError:
        return None
    return int(field.unpack(info)[0]) if len(info) == field.size else None
