"""Looking at ports: what is told apart, that nothing is sent, and that a hostile greeting costs bounded time."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.servers import Handler, serving

from hardenprobe.facts import TcpPort
from hardenprobe.model import State
from hardenprobe.model.transcript import EXCHANGES
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes import tcp
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import Scope

QUICK = Timing(connect=0.2, greeting=0.15, reply=0.5, pause=0.0)


def look(handler: Handler, port: int = 23, **more: object) -> tuple[TcpPort, DeviceLink, float]:
    """Look at a handler as if it lived on `port`; facts, line and seconds taken."""

    async def run() -> tuple[TcpPort, DeviceLink, float]:
        async with serving(handler) as real:
            line = DeviceLink(
                address="127.0.0.1", permit=Scope.loopback(), timing=QUICK, port_offset=real - port
            )
            began = time.monotonic()
            heard = await tcp.look(line, port, **more)  # type: ignore[arg-type]
            assert heard.port == port
            return heard.seen.facts, line, time.monotonic() - began

    return asyncio.run(run())


def saying(*pieces: bytes, then: str = "wait", gap: float = 0.0) -> Handler:
    """A peer that says pieces, then waits, closes or resets."""

    async def handler(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        for piece in pieces:
            writer.write(piece)
            await writer.drain()
            await asyncio.sleep(gap)
        if then == "wait":
            assert await reader.read() == b"", "something was sent to a port that was only looked at"
        elif then == "close":
            writer.close()
            await writer.wait_closed()

    return handler


@pytest.mark.parametrize(
    ("greeting", "speaks"),
    [
        (b"\xff\xfb\x01\xff\xfb\x03", "telnet"),
        (b"\r\nUser Name: ", "telnet"),
        (b"220 ready\r\n", "ftp"),
        (b"220-first\r\n220 last\r\n", "ftp"),
        (b"421 too many\r\n", "ftp"),
        (b"220 mail.example.org ESMTP\r\n", "smtp"),
        (b"SSH-2.0-thing\r\n", "ssh"),
        (b"motd\r\nSSH-2.0-thing\r\n", "ssh"),
        (b"RFB 003.008\n", "rfb"),
        (b"HTTP/1.0 408 Request Timeout\r\n\r\n", "http"),
        (b"hello\r\n", None),
        (b"\x00\x01\x02\xff", None),
    ],
)
def test_protocol_is_told_from_the_greeting_alone(greeting: bytes, speaks: str | None) -> None:
    facts, line, _ = look(saying(greeting))
    assert (facts.state, facts.speaks, facts.closed) == (State.ACCEPTING, speaks, False)
    assert facts.greeting == greeting.decode("utf-8", "backslashreplace")
    assert line.cost.bytes_sent == 0


def test_greeting_in_pieces_is_joined() -> None:
    facts, _, _ = look(saying(b"22", b"0 rea", b"dy\r\n", gap=0.02))
    assert (facts.speaks, facts.greeting) == ("ftp", "220 ready\r\n")


def test_port_that_says_nothing_accepts_and_stays() -> None:
    facts, _, took = look(saying())
    assert (facts.state, facts.greeting, facts.closed, facts.tries) == (State.ACCEPTING, "", False, 1)
    assert took < 2


@pytest.mark.parametrize("then", ["close", "reset"])
def test_port_that_closes_at_once(then: str) -> None:
    facts, _, _ = look(saying(then=then))
    assert (facts.state, facts.closed) == (State.ACCEPTING, True)


def test_port_that_greets_and_closes_is_not_closed_on_us() -> None:
    facts, _, _ = look(saying(b"220 bye\r\n", then="close"))
    assert (facts.speaks, facts.closed) == ("ftp", False)


@pytest.mark.parametrize("port", [515, 9100, 9107])
def test_port_that_prints_is_touched_and_hears_nothing(port: int) -> None:
    facts, line, took = look(saying(), port)
    assert facts.state is State.ACCEPTING
    assert line.cost.bytes_sent == 0
    assert took < 0.3 + 0.5


def test_control_port_is_touched_only() -> None:
    facts, line, _ = look(saying(b"220 ready\r\n"), 50000, control=True, touch_only=True)
    assert facts.control
    assert (facts.state, facts.greeting) == (State.ACCEPTING, "")
    assert line.cost.bytes_received == 0


@pytest.mark.slow
def test_refusing_port_is_asked_once_and_silent_one_twice() -> None:
    async def run() -> None:
        with contextlib.ExitStack() as stack:
            free = stack.enter_context(socket.socket())
            free.bind(("127.0.0.1", 0))
            line = DeviceLink(
                address="127.0.0.1",
                permit=Scope.loopback(),
                timing=QUICK,
                port_offset=free.getsockname()[1] - 23,
            )
            facts = (await tcp.look(line, 23)).seen.facts
            assert (facts.state, facts.tries, line.cost.connections) == (State.REFUSING, 1, 1)
            free.listen(0)
            for _ in range(4):  # a full backlog drops whoever else asks
                waiting = stack.enter_context(socket.socket())
                waiting.setblocking(False)
                waiting.connect_ex(free.getsockname())
            facts = (await tcp.look(line, 23)).seen.facts
            assert (facts.state, facts.tries, line.cost.connections) == (State.SILENT, 2, 3)
            facts = (await tcp.look(line, 23, control=True)).seen.facts
            assert (facts.state, facts.tries, facts.control) == (State.SILENT, 1, True)

    asyncio.run(run())


# --- hostile greetings


def test_endless_banner_is_cut() -> None:
    async def endless(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            writer.write(b"\xff\xfb\x01" * 20000)
            await writer.drain()

    facts, line, took = look(endless)
    assert facts.speaks == "telnet"
    assert line.cost.bytes_received == tcp.LIMIT
    assert len(facts.greeting) <= 4 * tcp.LIMIT
    assert took < 2


@pytest.mark.slow
def test_drip_of_bytes_ends_in_seconds() -> None:
    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            writer.write(b".")
            await writer.drain()
            await asyncio.sleep(0.03)

    facts, line, took = look(drip)
    assert facts.state is State.ACCEPTING
    assert 10 < line.cost.bytes_received < tcp.LIMIT
    assert took < tcp.LONGEST + QUICK.greeting + 1


@pytest.mark.slow
def test_many_small_pieces_do_not_fill_the_transcript() -> None:
    async def run() -> None:
        async def pieces(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            for _ in range(300):
                writer.write(b"x")
                await writer.drain()
                await asyncio.sleep(0.001)
            await reader.read()

        async with serving(pieces) as real:
            line = DeviceLink(
                address="127.0.0.1", permit=Scope.loopback(), timing=QUICK, port_offset=real - 23
            )
            heard = await tcp.look(line, 23)
            assert len(heard.seen.transcript) <= EXCHANGES
            assert len(heard.greeting) == 300

    asyncio.run(run())


@given(st.binary(max_size=200) | st.from_regex(rb"(220|SSH-|RFB |HTTP/1\.1 )[\x00-\xff]{0,40}"))
def test_any_greeting_is_named_or_not(greeting: bytes) -> None:
    assert tcp.recognise(greeting) in {None, "ssh", "rfb", "smtp", "ftp", "http", "telnet"}


def test_a_port_that_resets_before_we_look_again_has_accepted() -> None:
    """RFC 9293 section 3.10.7.4: a reset after the handshake ends a connection that was made."""

    def reset_one(listener: socket.socket) -> None:
        connection, _ = listener.accept()
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        connection.close()

    async def run(listener: socket.socket) -> TcpPort:
        real = listener.getsockname()[1]
        line = DeviceLink(address="127.0.0.1", permit=Scope.loopback(), timing=QUICK, port_offset=real - 23)

        def busy(rounds: int) -> None:
            """Take the reset's time between the request for a connection and the look at what came of it."""
            time.sleep(0.02)
            if rounds:
                asyncio.get_running_loop().call_soon(busy, rounds - 1)

        busy(10)
        return (await tcp.look(line, 23)).seen.facts

    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=reset_one, args=(listener,))
        thread.start()
        facts = asyncio.run(run(listener))
        thread.join()
    assert (facts.state, facts.closed) == (State.ACCEPTING, True)
