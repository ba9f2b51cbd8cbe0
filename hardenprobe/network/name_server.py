"""Ask a name server, which is no target of the scan: one question over UDP, sent where the scope file names the server."""

from __future__ import annotations

import asyncio
import socket
from contextlib import suppress
from ipaddress import ip_address
from typing import TYPE_CHECKING

from hardenprobe.model import Cost
from hardenprobe.network import audit_hook
from hardenprobe.network.rate_limit import Rate
from hardenprobe.network.sockets import receive_datagram

if TYPE_CHECKING:
    from hardenprobe.network.capture.socket_tap import SweepTap

PORT = 53
TRIES = 2  # datagrams at most
WAIT = 2.0  # seconds for each; RFC 1035 section 4.2.1


async def ask(
    address: str, port: int, question: bytes, rate: Rate, tap: SweepTap | None = None
) -> tuple[bytes | None, Cost]:
    """The reply of a server, None where it does not answer, and what was sent for it."""
    family = socket.AF_INET6 if ip_address(address).version == 6 else socket.AF_INET
    cost = Cost()
    with socket.socket(family, socket.SOCK_DGRAM) as sock, audit_hook.granted(sock, address, port):
        sock.setblocking(False)
        try:
            sock.connect((address, port))  # the system then takes no datagram from elsewhere
            if tap:
                tap.begin("udp", (address, port), sock.getsockname())
            for _ in range(TRIES):
                await rate.turn()
                await asyncio.get_running_loop().sock_sendall(sock, question)
                cost += Cost(datagrams=1, bytes_sent=len(question))
                with suppress(TimeoutError):
                    reply = await receive_datagram(sock, address, WAIT)
                    return reply, cost + Cost(bytes_received=len(reply))
        except OSError:  # unreachable
            return None, cost
        finally:
            if tap:
                tap.closed(address, "udp")
    return None, cost
