"""easing: a device that bears less than before is asked less, and then no more."""

from __future__ import annotations

import asyncio
import contextlib
import select
import socket
import sys
import time
from collections.abc import Iterator

import pytest

from hardenprobe.errors import CeilingReached, Unreachable
from hardenprobe.network.backoff import PAUSES, Backoff
from hardenprobe.network.link import DeviceLink
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import Scope

HERE = "127.0.0.1"


@pytest.fixture
def listener() -> Iterator[socket.socket]:
    with socket.create_server((HERE, 0), backlog=50) as made:
        yield made


def line() -> DeviceLink:
    return DeviceLink(address=HERE, permit=Scope.loopback(), timing=Timing(connect=0.3, pause=0.0))


async def touch(one: DeviceLink, port: int) -> None:
    async with await one.connect(port):
        pass


def test_a_port_that_never_accepted_is_no_sign() -> None:
    async def run() -> DeviceLink:
        one = line()
        for _ in range(5):
            with contextlib.suppress(Unreachable):
                await touch(one, 1)
        return one

    assert asyncio.run(run()).turn.easing.summary is None


@pytest.mark.slow
def test_a_port_that_begins_to_refuse_is_asked_slower_and_then_left_alone(listener: socket.socket) -> None:
    port = listener.getsockname()[1]

    async def run() -> tuple[DeviceLink, list[float]]:
        one, ended = line(), []
        await touch(one, port)
        listener.close()
        for _ in range(len(PAUSES) + 1):
            with pytest.raises(Unreachable):
                await touch(one, port)
            ended.append(time.monotonic())
        with pytest.raises(
            CeilingReached, match=rf"left alone.*{port}/tcp of {HERE} accepted, and then was refusing"
        ):
            await one.connect(port)
        with pytest.raises(CeilingReached):
            await one.ask(161, b"")
        return one, ended

    one, ended = asyncio.run(run())
    assert [later - earlier >= pause - 0.02 for earlier, later, pause in zip(ended, ended[1:], PAUSES, strict=False)] == [
        True, True,
    ]  # fmt: skip
    assert one.cost.connections == 1 + len(PAUSES) + 1
    assert not one.turn.lock.locked()
    told = one.turn.easing.summary
    assert told is not None
    assert told.endswith("hardenprobe waited longer between connections, then left it alone")


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="other systems do not tell")
def test_a_full_queue_that_drops_requests_is_a_sign() -> None:
    """Linux drops a request for a connection that finds the queue full, and the kernel asks again after a second."""
    easing = Backoff()
    with contextlib.ExitStack() as stack:
        server = stack.enter_context(socket.create_server((HERE, 0), backlog=0))
        where = server.getsockname()
        easing.accepted(HERE, 80, stack.enter_context(socket.create_connection(where, 2)))
        stack.enter_context(server.accept()[0])
        stack.enter_context(socket.create_connection(where, 2))  # the queue is full
        late = stack.enter_context(socket.socket())
        late.setblocking(False)
        late.connect_ex(where)
        assert not select.select([], [late], [], 0.2)[1]
        stack.enter_context(server.accept()[0])
        assert select.select([], [late], [], 5)[1]
        easing.accepted(HERE, 80, late)
    assert easing.signs == [f"80/tcp of {HERE} took a connection only when it was asked again"]
