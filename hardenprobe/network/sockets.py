"""What Link needs of sockets beyond the event loop's own calls."""

from __future__ import annotations

import asyncio
import errno
import random
import socket
import sys
from collections.abc import Coroutine
from ipaddress import ip_address
from typing import Any, TypeVar

T = TypeVar("T")

RESERVED = range(512, 1024)
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
    for port in random.sample(RESERVED, len(RESERVED)):
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


def report_unreachable(sock: socket.socket) -> None:
    """Make an unconnected socket tell of an unreachable port, where the system can (Linux, ip(7): IP_RECVERR)."""
    if sys.platform == "linux":
        v6 = sock.family == socket.AF_INET6
        sock.setsockopt(socket.IPPROTO_IPV6 if v6 else socket.IPPROTO_IP, 25 if v6 else 11, 1)
