"""First touches by SNMP, beside a bare loop of datagrams in the same run.

    python tests/benchmarks/sweep_snmp.py [--at-least 0.4]

Both ask each of 65,536 loopback addresses for its SNMP engine. A responder in another process answers from whichever
address was asked; it costs about as much as the asker, and both sides pay for it alike. The bare loop sends one finished
datagram again and again, takes any answer for granted, and stops sending while too many are not answered. Each
measurement is a process of its own; they alternate, and the best of each side counts. The responder binds to the
loopback device, so nothing else can reach it; that, and port 161, need root.
"""

from __future__ import annotations

import asyncio
import select
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from beside import compare

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.model import State
from hardenprobe.network import audit_hook
from hardenprobe.network.rate_limit import Rate
from hardenprobe.planning.visit_order import VisitOrder
from hardenprobe.probes.snmp.agent import encode_discovery
from hardenprobe.scanning.sweep import Pace, sweep
from hardenprobe.scope.scope import Scope

BLOCK = "127.91.0.0/16"
ADDRESSES = 65536
PORT = 161
AT_ONCE = 256  # unanswered datagrams; more would overflow a receive buffer of the usual size
REPETITIONS = 4
_PACKET_INFO = 8  # Linux, ip(7): IP_PKTINFO
_BIND_TO_DEVICE = 25  # Linux, socket(7)


def bare() -> float:
    """Seconds of a loop that does nothing but send and receive."""
    addresses = [f"127.91.{i >> 8}.{i & 255}" for i in range(ADDRESSES)]
    datagram = encode_discovery(1 << 30)
    answered = sent = 0
    began = time.perf_counter()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setblocking(False)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
        while answered < ADDRESSES:
            while sent < ADDRESSES and sent - answered < AT_ONCE:
                sock.sendto(datagram, (addresses[sent], PORT))
                sent += 1
            assert select.select([sock], [], [], 2)[0], f"{sent - answered} datagrams were lost"
            try:
                while True:
                    sock.recvfrom(2048)
                    answered += 1
            except BlockingIOError:
                pass
    return time.perf_counter() - began


def ours() -> float:
    """Seconds of a sweep with everything that belongs to it."""

    async def run() -> tuple[int, int]:
        answered = datagrams = 0
        pace = Pace(rate=Rate(None), in_flight=AT_ONCE)
        order = VisitOrder(AddressSet.of([BLOCK]), 1)
        async for touch in sweep(order, Scope.loopback(), ports=(), pace=pace):
            answered += touch.state is State.ACCEPTING
            datagrams += touch.datagrams
        return answered, datagrams

    began = time.perf_counter()
    with audit_hook.watching():
        answered, datagrams = asyncio.run(run())
    seconds = time.perf_counter() - began
    assert answered == ADDRESSES, answered
    assert datagrams < ADDRESSES * 1.01, datagrams
    return seconds


def respond() -> float:
    """Answer every discovery with a report of one engine, from the address that was asked, for ever."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setsockopt(socket.SOL_SOCKET, _BIND_TO_DEVICE, b"lo\0")
        sock.setsockopt(socket.IPPROTO_IP, _PACKET_INFO, 1)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
        sock.bind(("0.0.0.0", PORT))
        print("ready", flush=True)
        head, tail = report()
        while True:
            data, extra, _, peer = sock.recvmsg(2048, 64)
            _, _, asked = struct.unpack("=I4s4s", extra[0][2])
            answer = head + data[9:13] + tail
            source = struct.pack("=I4s4s", 0, asked, bytes(4))
            sock.sendmsg([answer], [(socket.IPPROTO_IP, _PACKET_INFO, source)], 0, peer)


def report() -> tuple[bytes, bytes]:
    """A report as RFC 3414 section 4 has it, before and after the message id: usmStatsUnknownEngineIDs is 1."""
    engine = bytes.fromhex("8000000001020304")

    def element(tag: int, *parts: bytes) -> bytes:
        content = b"".join(parts)
        return bytes([tag, len(content)]) + content

    security = element(
        0x30,
        element(4, engine), element(2, b"\1"), element(2, b"\1"), element(4), element(4), element(4),
    )  # fmt: skip
    counter = element(0x30, bytes.fromhex("060a2b060106030f01010400"), element(0x41, b"\1"))
    pdu = element(0xA8, element(2, b"\0"), element(2, b"\0"), element(2, b"\0"), element(0x30, counter))
    scoped = element(0x30, element(4, engine), element(4), pdu)
    rest = element(2, b"\x05\xdc") + element(4, b"\0") + element(2, b"\3")
    header = bytes([0x30, 6 + len(rest), 2, 4])
    tail = rest + element(4, security) + scoped
    length = 3 + len(header) + 4 + len(tail)
    return bytes([0x30, length]) + b"\2\1\3" + header, tail


SIDES: dict[str, Callable[[], float]] = {"bare": bare, "ours": ours, "respond": respond}


@contextmanager
def responding() -> Iterator[None]:
    """A responder in a process of its own."""
    command = [sys.executable, __file__, "--side", "respond"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as responder:
        try:
            assert responder.stdout is not None and responder.stdout.readline() == "ready\n"
            yield
        finally:
            responder.terminate()


if __name__ == "__main__":
    sys.exit(compare(__file__, SIDES, ADDRESSES, REPETITIONS, responding))
