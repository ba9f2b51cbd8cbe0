"""First touches by TCP, beside a bare loop of non-blocking connects in the same run.

    python tests/benchmarks/sweep_tcp.py [--at-least 0.6]

Both connect once to each of 65,536 loopback addresses on which nobody listens. The bare loop is as short as it can be
written with sockets and epoll, and gets its addresses as a list; ours draws them in a seeded order, asks the scope, passes
the audit hook, counts what it costs and hands a record of each to an asynchronous consumer. Each measurement is a process
of its own; they alternate, and the best of each side counts.
"""

from __future__ import annotations

import asyncio
import errno
import select
import socket
import sys
import time
from collections.abc import Callable

from beside import compare

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.model import State
from hardenprobe.network import audit_hook
from hardenprobe.network.rate_limit import Rate
from hardenprobe.planning.visit_order import VisitOrder
from hardenprobe.scanning.sweep import Pace, sweep
from hardenprobe.scope.scope import Scope

BLOCK = "127.90.0.0/16"
ADDRESSES = 65536
PORT = 443
REPETITIONS = 6


def bare() -> float:
    """Seconds of a loop that does nothing but connect."""
    addresses = [f"127.90.{i >> 8}.{i & 255}" for i in range(ADDRESSES)]
    refused = 0
    began = time.perf_counter()
    watched: dict[int, socket.socket] = {}
    with select.epoll() as poller:
        for address in addresses:
            sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM | socket.SOCK_NONBLOCK)
            result = sock.connect_ex((address, PORT))
            if result == errno.EINPROGRESS:
                poller.register(sock.fileno(), select.EPOLLOUT)
                watched[sock.fileno()] = sock
            else:
                refused += result == errno.ECONNREFUSED
                sock.close()
            if len(watched) >= 1024:
                refused += _settle(poller, watched)
        while watched:
            refused += _settle(poller, watched)
    seconds = time.perf_counter() - began
    assert refused == ADDRESSES, refused
    return seconds


def _settle(poller: select.epoll, watched: dict[int, socket.socket]) -> int:
    refused = 0
    for descriptor, _ in poller.poll(1):
        with watched.pop(descriptor) as sock:
            refused += sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR) == errno.ECONNREFUSED
    return refused


def ours() -> float:
    """Seconds of a sweep with everything that belongs to it."""

    async def run() -> tuple[int, int]:
        refused = connections = 0
        order = VisitOrder(AddressSet.of([BLOCK]), 1)
        async for touch in sweep(
            order, Scope.loopback(), ports=(PORT,), snmp=False, pace=Pace(rate=Rate(None))
        ):
            refused += touch.state is State.REFUSING
            connections += len(touch.tried)
        return refused, connections

    began = time.perf_counter()
    with audit_hook.watching():
        result = asyncio.run(run())
    seconds = time.perf_counter() - began
    assert result == (ADDRESSES, ADDRESSES), result
    return seconds


SIDES: dict[str, Callable[[], float]] = {"bare": bare, "ours": ours}


if __name__ == "__main__":
    sys.exit(compare(__file__, SIDES, ADDRESSES, REPETITIONS))
