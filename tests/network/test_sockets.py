"""What came in time counts, however late this process looks."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from hardenprobe.network.sockets import connect, receive

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
