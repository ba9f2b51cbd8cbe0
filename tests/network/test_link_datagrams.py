"""Replies from another port of the same address: taken where a protocol answers so, from nobody else."""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from hardenprobe.errors import ScopeRefused
from hardenprobe.network.link import Answer, DeviceLink
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import Scope

QUICK = Timing(connect=0.5, greeting=0.1, reply=0.3, pause=0.0)
Answering = Callable[[bytes, tuple[str, int]], None]


@contextmanager
def service(answer: Answering, host: str = "127.0.0.1") -> Iterator[int]:
    """A datagram service in a thread of its own."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as sock:
        sock.bind((host, 0))
        sock.settimeout(5)

        def serve() -> None:
            while True:
                data, peer = sock.recvfrom(2048)
                if data == b"end":
                    return
                answer(data, peer[:2])

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield sock.getsockname()[1]
        finally:
            with socket.socket(family, socket.SOCK_DGRAM) as last:
                last.sendto(b"end", (host, sock.getsockname()[1]))
            thread.join()


def says(data: bytes, peer: tuple[str, int], source: str) -> None:
    """Send from a new port of an address."""
    with socket.socket(socket.AF_INET6 if ":" in source else socket.AF_INET, socket.SOCK_DGRAM) as fresh:
        fresh.bind((source, 0))
        fresh.sendto(data, peer)


def ask(port: int, address: str = "127.0.0.1", source: str | None = None, *, any_port: bool = True) -> Answer:
    async def run() -> Answer:
        line = DeviceLink(address=address, permit=Scope.loopback(), timing=QUICK, source=source)
        return await line.ask(port, b"question", tries=1, wait=0.3, any_port=any_port)

    return asyncio.run(run())


@pytest.mark.parametrize("address", ["127.0.0.1", "127.66.0.1", "::1"])
def test_a_reply_from_a_new_port_counts(address: str) -> None:
    with service(lambda data, peer: says(b"answer", peer, address), address) as port:
        answer = ask(port, address)
    assert (answer.state, answer.data) == ("accepting", b"answer")


def test_it_counts_only_where_it_was_asked_for() -> None:
    with service(lambda data, peer: says(b"answer", peer, "127.0.0.1")) as port:
        assert ask(port, any_port=False).state == "silent"


def test_a_reply_from_another_address_does_not_count() -> None:
    def both(data: bytes, peer: tuple[str, int]) -> None:
        says(b"from elsewhere", peer, "127.66.0.2")

    with service(both, "127.66.0.1") as port:
        assert ask(port, "127.66.0.1").state == "silent"


def test_it_counts_after_one_that_does_not() -> None:
    def both(data: bytes, peer: tuple[str, int]) -> None:
        says(b"from elsewhere", peer, "127.66.0.2")
        says(b"answer", peer, "127.66.0.1")

    with service(both, "127.66.0.1") as port:
        assert ask(port, "127.66.0.1", "127.66.0.3").data == b"answer"


def test_a_flood_from_elsewhere_does_not_hold_up_the_timer() -> None:
    ended = threading.Event()

    def flood(data: bytes, peer: tuple[str, int]) -> None:
        def send() -> None:
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
                other.bind(("127.66.0.2", 0))
                while not ended.is_set():
                    other.sendto(b"x", peer)

        threading.Thread(target=send, daemon=True).start()

    with service(flood, "127.66.0.1") as port:
        began = time.monotonic()
        try:
            assert ask(port, "127.66.0.1").state == "silent"
        finally:
            ended.set()
        assert time.monotonic() - began < 3


@pytest.mark.parametrize("address", ["127.0.0.1", "::1"])
def test_an_unreachable_port_is_told_although_the_socket_is_not_connected(address: str) -> None:
    with socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_DGRAM) as gone:
        gone.bind((address, 0))
        port = gone.getsockname()[1]
    assert ask(port, address).state == "refusing"


def test_the_scope_is_asked_before_anything_is_sent() -> None:
    heard: list[bytes] = []

    async def run(port: int) -> None:
        class Never:
            def check(self, address: str) -> None:
                raise ScopeRefused("not today", address)

        await DeviceLink(address="127.0.0.1", permit=Never(), timing=QUICK).ask(
            port, b"question", any_port=True
        )

    with service(lambda data, peer: heard.append(data)) as port, pytest.raises(ScopeRefused):
        asyncio.run(run(port))
    assert heard == []


def test_an_answer_that_came_while_the_process_was_busy_counts() -> None:
    async def run(port: int) -> Answer:
        line = DeviceLink(address="127.0.0.1", permit=Scope.loopback(), timing=QUICK)
        asking = asyncio.create_task(line.ask(port, b"question", tries=1, wait=0.2))
        await asyncio.sleep(0.01)
        time.sleep(0.4)  # noqa: ASYNC251 - what a busy process does to its timers
        return await asking

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server:
        server.bind(("127.0.0.1", 0))
        server.settimeout(5)

        def serve() -> None:
            _, peer = server.recvfrom(2048)
            server.sendto(b"answer", peer)

        thread = threading.Thread(target=serve)
        thread.start()
        answer = asyncio.run(run(server.getsockname()[1]))
        thread.join()
    assert answer.data == b"answer"


def test_what_hide_makes_of_a_reply_is_what_is_kept() -> None:
    async def run(port: int) -> Answer:
        line = DeviceLink(address="127.0.0.1", permit=Scope.loopback(), timing=QUICK)
        return await line.ask(
            port,
            b"question",
            tries=1,
            wait=0.5,
            any_port=True,
            hide=lambda data: data.replace(b"secret", b"******"),
        )

    with service(lambda data, peer: says(b"a secret", peer, "127.0.0.1")) as port:
        answer = asyncio.run(run(port))
    assert answer.data == b"a secret"
    assert bytes.fromhex(answer.recorder.exchanges[1].hex) == b"a ******"
