"""What Link needs of sockets beyond the event loop's own calls."""

from __future__ import annotations

import asyncio
import socket
import sys
from ipaddress import ip_address

READ_LIMIT = 65536  # bytes in one receive; a reader that wants more asks again, under the ceiling


async def receive_datagram(sock: socket.socket, address: str, wait: float) -> bytes:
    """The next datagram from an address.

    What came in time counts even where this process was too busy to look at it in time.

    Raises:
        TimeoutError: Nothing came within `wait` seconds.
        OSError: As the socket says, an unreachable port among it.
    """

    async def receive() -> bytes:
        while True:
            data, peer = await asyncio.get_running_loop().sock_recvfrom(sock, READ_LIMIT)
            if ip_address(peer[0].partition("%")[0]) == ip_address(address):
                return data
            await asyncio.sleep(0)  # a flood from elsewhere must not hold up the timer

    receiving = asyncio.create_task(receive())
    try:
        await asyncio.wait({receiving}, timeout=wait)
        if receiving.done():
            return receiving.result()
        raise TimeoutError
    finally:
        receiving.cancel()
        await asyncio.gather(receiving, return_exceptions=True)


def report_unreachable(sock: socket.socket) -> None:
    """Make an unconnected socket tell of an unreachable port, where the system can (Linux, ip(7): IP_RECVERR)."""
    if sys.platform == "linux":
        v6 = sock.family == socket.AF_INET6
        sock.setsockopt(socket.IPPROTO_IPV6 if v6 else socket.IPPROTO_IP, 25 if v6 else 11, 1)
