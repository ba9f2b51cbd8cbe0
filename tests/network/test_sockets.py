"""What came in time counts, however late this process looks."""

from __future__ import annotations

import asyncio
import contextlib
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from hardenprobe.model import IcmpError
from hardenprobe.network.sockets import account, connect, icmp_error, receive, report_unreachable

WAIT = 0.05
HERE = "127.0.0.1"


@pytest.fixture
def listening() -> Iterator[socket.socket]:
    with socket.create_server((HERE, 0)) as server:
        yield server


@pytest.fixture
def ours() -> Iterator[socket.socket]:
    with socket.socket() as sock:
        sock.setblocking(False)
        yield sock


async def while_busy(work: Any, meanwhile: Callable[[], object] = lambda: None) -> Any:
    """Await something while the loop is held up for longer than may be waited."""
    task = asyncio.ensure_future(work)
    for _ in range(5):  # it waits by then
        await asyncio.sleep(0)
    meanwhile()
    asyncio.get_running_loop().call_soon(time.sleep, 3 * WAIT)
    return await task


def test_a_connection_that_was_accepted_in_time(listening: socket.socket, ours: socket.socket) -> None:
    asyncio.run(while_busy(connect(ours, listening.getsockname(), WAIT)))

    assert ours.getpeername() == listening.getsockname()


def test_a_connection_that_was_refused_in_time(listening: socket.socket, ours: socket.socket) -> None:
    there = listening.getsockname()
    listening.close()
    with pytest.raises(ConnectionRefusedError):
        asyncio.run(while_busy(connect(ours, there, WAIT)))


def test_a_connection_that_nobody_answers(ours: socket.socket) -> None:
    """A full queue drops what asks to connect (listen(2))."""
    with contextlib.ExitStack() as stack:
        server = stack.enter_context(socket.create_server((HERE, 0), backlog=0))
        for _ in range(2):
            filling = stack.enter_context(socket.socket())
            filling.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                filling.connect(server.getsockname())
        with pytest.raises(TimeoutError):
            asyncio.run(connect(ours, server.getsockname(), WAIT))


@pytest.mark.parametrize("said", [b"220 ready\r\n", b""], ids=["bytes", "end"])
def test_bytes_that_came_in_time(said: bytes) -> None:
    here, there = socket.socketpair()
    with here, there:
        here.setblocking(False)

        def answer() -> None:
            if said:
                there.sendall(said)
            else:
                there.close()

        assert asyncio.run(while_busy(receive(here, 100, WAIT), answer)) == said


def test_silence() -> None:
    here, there = socket.socketpair()
    with here, there:
        here.setblocking(False)
        with pytest.raises(TimeoutError):
            asyncio.run(receive(here, 100, WAIT))


@pytest.mark.peer
@pytest.mark.skipif(shutil.which("ss") is None, reason="needs ss of the Debian package iproute2")
def test_the_account_of_a_connection_is_what_another_program_reads_from_the_kernel(
    listening: socket.socket,
) -> None:
    """ss reads the same structure over netlink (ss(8), sock_diag(7)), so offsets are checked by a program of others."""
    with socket.create_connection(listening.getsockname()) as sock:
        kept = account(sock, listening.getsockname(), "connected", 0.25)
        words = ["ss", "-tinH", "dst", HERE, "and", "dport", f"= :{kept.remote_port}"]
        said = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    round_trip, window = re.search(r"\brtt:([0-9.]+)/", said), re.search(r"\bsnd_wnd:(\d+)", said)

    assert round_trip and kept.round_trip_us == round(1000 * float(round_trip[1]))
    assert window and kept.window == int(window[1])
    assert f"{kept.local}:{kept.local_port}" in said and f"{kept.remote}:{kept.remote_port}" in said
    assert (kept.outcome, kept.seconds, kept.icmp) == ("connected", 0.25, None)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells which ICMP error came back")
@pytest.mark.parametrize(
    ("host", "error"),
    [
        (HERE, IcmpError(sender=HERE, type=3, code=3)),  # RFC 792: destination unreachable, port unreachable
        ("::1", IcmpError(sender="::1", type=1, code=4)),  # RFC 4443 section 3.1: the same
    ],
)
def test_the_icmp_error_that_came_back_is_kept(host: str, error: IcmpError) -> None:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as sock:
        with socket.socket(family, socket.SOCK_DGRAM) as free:
            free.bind((host, 0))
            port = free.getsockname()[1]
        report_unreachable(sock)
        sock.connect((host, port))
        sock.send(b"x")
        sock.settimeout(2)
        with pytest.raises(ConnectionRefusedError) as refused:
            sock.recv(1)
        kept = account(sock, (host, port), refused.value, 0.0)

        assert (kept.outcome, kept.transport, kept.icmp) == ("ECONNREFUSED", "udp", error)
        assert (kept.round_trip_us, kept.window) == (None, None)
        assert icmp_error(sock) is None, "each is told once"
