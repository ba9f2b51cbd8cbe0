"""The door: what it sends where, what it counts, what it keeps. Every peer here is a real socket on loopback."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import sys
import threading
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from support.servers import serving

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.errors import CeilingReached, ScopeRefused, Unreachable
from hardenprobe.facts import TcpPort
from hardenprobe.model import Cost, IcmpError, SocketRecord, State
from hardenprobe.model.transcript import EXCHANGES, KEPT, observation
from hardenprobe.network.budget import DeviceBudget
from hardenprobe.network.link import Answer, DeviceLink
from hardenprobe.network.sockets import READ_LIMIT
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.ports import NEVER_SPEAK, may_speak
from hardenprobe.scope.scope import LOOPBACK, Scope
from hardenprobe.scope.window import Window

QUICK = Timing(connect=1.0, greeting=0.2, reply=0.4, pause=0.0)
WORDS = ("ftp", "http", "tls", "smtp", "ldap", "lpd", "raw")


@dataclass
class Permit:
    """Admits a number of questions, then refuses as a scope does."""

    left: int = 1_000_000
    asked: list[str] = field(default_factory=list)

    def check(self, address: str) -> None:
        self.asked.append(address)
        self.left -= 1
        if self.left < 0:
            raise ScopeRefused("told to stop", address)


@dataclass
class Sink:
    """A TCP server that says `greeting`, reads to the end, and counts."""

    port: int = 0
    greeting: bytes = b""
    connections: int = 0
    open: int = 0
    most_open: int = 0
    received: bytes = b""
    accepted_at: list[float] = field(default_factory=list)
    ends: list[str] = field(default_factory=list)
    peers: list[str] = field(default_factory=list)
    ended: asyncio.Event = field(default_factory=asyncio.Event)

    async def __call__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self.open += 1
        self.most_open = max(self.most_open, self.open)
        self.accepted_at.append(time.monotonic())
        self.peers.append(writer.get_extra_info("peername")[0])
        try:
            writer.write(self.greeting)
            while data := await reader.read(65536):
                self.received += data
            self.ends.append("end of file")
        except ConnectionResetError:
            self.ends.append("reset")
        finally:
            self.open -= 1
            self.ended.set()


@asynccontextmanager
async def sink(greeting: bytes = b"", host: str = "127.0.0.1") -> AsyncIterator[Sink]:
    peer = Sink(greeting=greeting)
    async with serving(peer, host) as peer.port:
        yield peer


class Datagrams(asyncio.DatagramProtocol):
    """A UDP server that answers with what `answer` makes of a datagram, or stays silent."""

    def __init__(self, answer: Callable[[bytes], bytes | None]) -> None:
        self.answer = answer
        self.received: list[bytes] = []
        self.peers: list[str] = []
        self.through: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.DatagramTransport) -> None:  # type: ignore[override]
        self.through = transport
        self.port = transport.get_extra_info("sockname")[1]

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        self.received.append(data)
        self.peers.append(addr[0])
        reply = self.answer(data)
        if reply is not None and self.through is not None:
            self.through.sendto(reply, addr)


@asynccontextmanager
async def datagrams(
    answer: Callable[[bytes], bytes | None], host: str = "127.0.0.1"
) -> AsyncIterator[Datagrams]:
    loop = asyncio.get_running_loop()
    transport, peer = await loop.create_datagram_endpoint(
        lambda: Datagrams(answer), (host, 0), family=socket.AF_INET6 if ":" in host else socket.AF_INET
    )
    try:
        yield peer
    finally:
        transport.close()


def free_port(kind: int = socket.SOCK_STREAM) -> int:
    with socket.socket(socket.AF_INET, kind) as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def line(
    real: int = 0, port: int = 0, *, permit: object = None, timing: Timing = QUICK, **more: object
) -> DeviceLink:
    """A line on which logical `port` is the real port of a peer."""
    return DeviceLink(
        address="127.0.0.1" if "address" not in more else str(more.pop("address")),
        permit=permit or Permit(),  # type: ignore[arg-type]
        timing=timing,
        port_offset=real - port,
        **more,  # type: ignore[arg-type]
    )


# --- where it speaks


@pytest.mark.parametrize("port", [23, 113, 7777, *sorted(NEVER_SPEAK)])
def test_no_byte_goes_to_a_port_that_may_not_be_spoken_to(port: int) -> None:
    """Ports off the list are listened to and closed; the never-speak list holds although every word is declared."""

    async def run() -> None:
        declared = [(port, word) for word in WORDS] if port in NEVER_SPEAK else []
        async with sink(b"hello") as peer:
            door = line(peer.port, port, may_speak=may_speak(declared))
            async with await door.connect(port) as stream:
                assert await stream.receive() == b"hello"
                for word in WORDS:
                    with pytest.raises(ScopeRefused, match="may-speak"):
                        await stream.send(b"\x1b%-12345X", word)
                with pytest.raises(ScopeRefused, match="may-speak"):
                    await stream.start_tls(ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT))
            await asyncio.wait_for(peer.ended.wait(), 5)
            assert peer.received == b""
            assert door.cost.bytes_sent == 0
            assert all(e.direction == "received" for e in stream.recorder.exchanges)

    asyncio.run(run())


def test_never_speak_outranks_a_list_made_by_hand() -> None:
    """Even a may-speak mapping that holds a raw port does not open it."""
    door = line(may_speak={9100: frozenset(WORDS), 515: frozenset(WORDS)})
    assert not any(door.speaks(port, word) for port in (515, 9100) for word in WORDS)


def test_granted_words_arrive_and_other_words_do_not() -> None:
    async def run() -> None:
        async with sink() as peer:
            door = line(peer.port, 80)
            async with await door.connect(80) as stream:
                await stream.send(b"GET / HTTP/1.1\r\n\r\n", "http")
                with pytest.raises(ScopeRefused):
                    await stream.send(b"\x16\x03\x01", "tls")
            await asyncio.wait_for(peer.ended.wait(), 5)
            # A reset may overtake what was sent before it; nothing else may ever arrive.
            assert b"GET / HTTP/1.1\r\n\r\n".startswith(peer.received)
            assert door.cost.bytes_sent == 18

    asyncio.run(run())


# --- the scope is asked every time


def test_scope_is_asked_before_every_connection() -> None:
    async def run() -> None:
        permit = Permit(left=2)
        async with sink() as peer:
            door = line(peer.port, 80, permit=permit)
            for _ in range(2):
                (await door.connect(80)).close()
            with pytest.raises(ScopeRefused, match="told to stop"):
                await door.connect(80)
            assert permit.asked == ["127.0.0.1"] * 3
            await asyncio.wait_for(_until(lambda: len(peer.ends) == 2), 5)
            assert peer.connections == 2
            permit.left = 1
            (await door.connect(80)).close()  # a refusal leaves the device's place free

    asyncio.run(run())


def test_scope_is_asked_before_every_datagram() -> None:
    async def run() -> None:
        async with datagrams(lambda _: None) as peer:
            door = line(peer.port, 161, permit=Permit(left=1))
            with pytest.raises(ScopeRefused):
                await door.ask(161, b"first", wait=0.05)
            assert peer.received == [b"first"]

    asyncio.run(run())


def test_stop_file_holds_from_one_connection_to_the_next(tmp_path: Path) -> None:
    async def run() -> None:
        stop = tmp_path / "stop"
        scope = Scope(name="ours", networks=LOOPBACK, stop_file=stop)
        async with sink() as peer:
            door = line(peer.port, 80, permit=scope)
            (await door.connect(80)).close()
            stop.touch()
            with pytest.raises(ScopeRefused, match="stop file"):
                await door.connect(80)
            with pytest.raises(ScopeRefused, match="stop file"):
                await door.ask(161, b"x")
            await asyncio.wait_for(peer.ended.wait(), 5)
            assert peer.connections == 1

    asyncio.run(run())


def test_window_that_ends_midway_closes_the_door() -> None:
    async def run() -> int:
        now = datetime.now(UTC)
        window = Window(
            first=(now - timedelta(hours=1)).time().isoformat(),
            last=(now + timedelta(seconds=0.4)).time().isoformat(),
        )
        scope = Scope(name="night shift", networks=LOOPBACK, window=window)
        async with sink() as peer:
            door = line(peer.port, 80, permit=scope, timing=Timing(pause=0.05))
            made = 0
            with pytest.raises(ScopeRefused, match="window"):
                for _ in range(100):
                    (await door.connect(80)).close()
                    made += 1
            return made

    made = asyncio.run(run())
    assert 0 < made < 50


def test_address_outside_the_scope_is_refused_unsent() -> None:
    async def run() -> None:
        scope = Scope(name="ours", networks=LOOPBACK, exclude=AddressSet.of(["127.0.0.1"]))
        async with sink() as peer:
            with pytest.raises(ScopeRefused, match="excluded"):
                await line(peer.port, 80, permit=scope).connect(80)
            assert peer.connections == 0

    asyncio.run(run())


# --- ceilings


def test_ceiling_of_connections() -> None:
    async def run() -> None:
        async with sink() as peer:
            door = line(peer.port, 80, timing=Timing(connections=3, pause=0))
            for _ in range(3):
                (await door.connect(80)).close()
            with pytest.raises(CeilingReached, match="3 connections"):
                await door.connect(80)
            await asyncio.wait_for(_until(lambda: len(peer.ends) == 3), 5)
            assert (peer.connections, door.cost.connections) == (3, 3)

    asyncio.run(run())


def test_ceiling_of_datagrams_counts_retransmissions() -> None:
    async def run() -> None:
        async with datagrams(lambda _: None) as peer:
            door = line(peer.port, 161, timing=Timing(datagrams=3, pause=0))
            assert (await door.ask(161, b"a", wait=0.02)).state == "silent"
            with pytest.raises(CeilingReached, match="3 datagrams"):
                await door.ask(161, b"b", wait=0.02)
            assert peer.received == [b"a", b"a", b"b"]

    asyncio.run(run())


def test_ceiling_of_bytes_stops_an_endless_peer() -> None:
    async def endless(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            writer.write(b"x" * 65536)
            await writer.drain()

    async def run() -> None:
        limit = 500_000
        async with serving(endless) as real:
            door = line(real, 80, timing=Timing(bytes_received=limit, pause=0))
            async with await door.connect(80) as stream:
                with pytest.raises(CeilingReached, match="bytes"):
                    while await stream.receive():
                        pass
            assert limit <= door.cost.bytes_received < limit + READ_LIMIT
            with pytest.raises(CeilingReached):
                await door.connect(80)

    asyncio.run(run())


def test_flood_does_not_hold_up_timers() -> None:
    """Bytes that are always there must not keep the loop from other devices."""

    def flood() -> None:
        peer, _ = server.accept()
        with peer, contextlib.suppress(ConnectionError):
            while True:
                peer.sendall(b"x" * 1_000_000)

    async def run() -> float:
        door = line(server.getsockname()[1], 80, timing=Timing(bytes_received=50_000_000, pause=0))
        async with await door.connect(80) as stream:
            await stream.receive(64)
            began = time.monotonic()
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(0.05):
                    while True:
                        await stream.receive(64)
            return time.monotonic() - began

    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=flood)  # a peer on this loop could not keep it busy
        thread.start()
        took = asyncio.run(run())
        thread.join(5)
    assert took < 0.5


def test_ceiling_of_seconds_on_the_line() -> None:
    async def run() -> None:
        async with sink() as peer:
            door = line(peer.port, 80, timing=Timing(seconds=0.05, pause=0))
            async with await door.connect(80) as stream:
                with pytest.raises(Unreachable) as caught:
                    await stream.receive(wait=0.1)
                assert caught.value.state == "silent"
            assert door.cost.seconds >= 0.1
            with pytest.raises(CeilingReached, match="seconds"):
                await door.connect(80)

    asyncio.run(run())


# --- gentleness


def test_one_connection_at_a_time_and_the_pause_between() -> None:
    async def run() -> None:
        async with sink(b"hello") as peer:
            door = line(peer.port, 80, timing=Timing(pause=0.05))

            async def visit() -> None:
                async with await door.connect(80) as stream:
                    await stream.receive()

            await asyncio.gather(*(visit() for _ in range(5)))
            await asyncio.wait_for(_until(lambda: len(peer.ends) == 5), 5)
            assert peer.most_open == 1
            gaps = [b - a for a, b in zip(peer.accepted_at, peer.accepted_at[1:], strict=False)]
            assert min(gaps) > 0.04

    asyncio.run(run())


def test_datagram_waits_for_the_open_connection() -> None:
    async def run() -> None:
        async with datagrams(lambda data: data) as udp, sink() as tcp:
            door = line(tcp.port, 80)
            stream = await door.connect(80)
            asking = asyncio.create_task(door.ask(udp.port - door.port_offset, b"x"))
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(asyncio.shield(asking), 0.1)
            assert udp.received == []
            stream.close()
            assert (await asking).data == b"x"

    asyncio.run(run())


def test_closing_resets_and_twice_is_harmless() -> None:
    async def run() -> None:
        async with sink() as peer:
            door = line(peer.port, 80)
            stream = await door.connect(80)
            stream.close()
            stream.close()
            await asyncio.wait_for(peer.ended.wait(), 5)
            assert peer.ends == ["reset"]
            with pytest.raises(Unreachable, match="closed"):
                await stream.receive()
            with pytest.raises(Unreachable, match="closed"):
                await stream.send(b"x", "http")
            (await door.connect(80)).close()

    asyncio.run(run())


# --- what a port does


def test_refusing_port() -> None:
    async def run() -> None:
        with pytest.raises(Unreachable) as caught:
            await line(free_port(), 80).connect(80)
        assert caught.value.state == "refusing"

    asyncio.run(run())


def test_silent_port() -> None:
    """A full backlog drops what asks: the nearest that loopback comes to a filter."""

    async def run() -> None:
        with contextlib.ExitStack() as stack:
            full = stack.enter_context(socket.socket())
            full.bind(("127.0.0.1", 0))
            full.listen(0)
            for _ in range(4):
                waiting = stack.enter_context(socket.socket())
                waiting.setblocking(False)
                waiting.connect_ex(full.getsockname())
            door = line(full.getsockname()[1], 80, timing=Timing(connect=0.15, pause=0))
            began = time.monotonic()
            with pytest.raises(Unreachable) as caught:
                await door.connect(80)
            assert caught.value.state == "silent"
            assert time.monotonic() - began < 1

    asyncio.run(run())


def test_line_that_is_cut_is_closed() -> None:
    async def cut(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readexactly(1)
        writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")

    async def run() -> None:
        async with serving(cut) as real, await line(real, 80).connect(80) as stream:
            await stream.send(b"x", "http")
            with pytest.raises(Unreachable) as caught:
                await stream.receive()
            assert caught.value.state == "closed"

    asyncio.run(run())


# --- transcripts


def test_transcript_is_bounded_in_pieces_and_in_bytes() -> None:
    async def run() -> None:
        async with sink(b"z" * 5000) as peer:
            async with await line(peer.port, 80).connect(80) as stream:
                got = await stream.receive(4000)
                for _ in range(200):
                    await stream.receive(1)
            kept = stream.recorder.exchanges
            assert len(kept) == EXCHANGES
            assert kept[0].length == len(got)
            assert len(kept[0].hex) == 2 * min(KEPT, len(got))
            door = line()
            seen = door.observation(TcpPort(state=State.ACCEPTING), None, stream.recorder, stream.recorder)
            assert len(seen.transcript) == EXCHANGES

    asyncio.run(run())


def test_secrets_are_starred_in_both_directions() -> None:
    async def run() -> None:
        secret = b"canary-7f3a"
        async with datagrams(lambda data: b"you said " + data) as peer:
            answer = await line(peer.port, 161).ask(161, b"in front " + secret + b" behind", secrets=[secret])
        assert answer.data == b"you said in front canary-7f3a behind"
        sent, received = answer.recorder.exchanges
        assert bytes.fromhex(sent.hex) == b"in front *********** behind"
        assert bytes.fromhex(received.hex) == b"you said in front *********** behind"
        assert (sent.direction, sent.length) == ("sent", 27)

    asyncio.run(run())


def test_observation_id_is_the_digest_of_what_it_holds() -> None:
    door = line()
    where = door.endpoint(23)
    one, other = TcpPort(state=State.ACCEPTING), TcpPort(state=State.REFUSING)
    first = door.observation(one, where)
    assert first.id != door.observation(other, where).id
    assert first.id != door.observation(one, door.endpoint(24)).id
    assert first.endpoint == where and first.vantage == "here" and first.transcript == ()


def test_an_accepted_connection_leaves_the_kernels_account_although_no_byte_was_sent() -> None:
    async def run() -> None:
        async with sink() as peer:
            door = line(peer.port, 80)
            async with await door.connect(80) as stream:
                seen = door.observation(TcpPort(state=State.ACCEPTING), door.endpoint(80), stream.recorder)
            (kept,) = seen.sockets
            assert seen.transcript == ()
            assert (kept.outcome, kept.transport) == ("connected", "tcp")
            assert (kept.local, kept.remote, kept.remote_port) == ("127.0.0.1", "127.0.0.1", peer.port)
            assert kept.local_port > 0 and kept.round_trip_us and kept.window
            assert kept.at == 0.0 and 0 < kept.seconds < 1

    asyncio.run(run())


def test_a_refused_connection_is_the_proof_of_the_next_observation_of_its_port_and_of_no_other() -> None:
    async def run() -> None:
        port = free_port()
        door = line(port, 80)
        with pytest.raises(Unreachable):
            await door.connect(80)
        facts = TcpPort(state=State.REFUSING)
        other = door.observation(facts, door.endpoint(81))
        seen = door.observation(facts, door.endpoint(80))
        again = door.observation(facts, door.endpoint(80))
        (kept,) = seen.sockets
        assert (kept.outcome, kept.remote_port) == ("ECONNREFUSED", port) and kept.local_port > 0
        assert (kept.round_trip_us, kept.window) == (None, None)
        assert other.sockets == again.sockets == ()

    asyncio.run(run())


def test_sockets_are_part_of_an_observations_id() -> None:
    door = line()
    facts, where = TcpPort(state=State.ACCEPTING), door.endpoint(23)
    kept = SocketRecord(
        at=0.0,
        transport="tcp",
        local="127.0.0.1",
        local_port=40000,
        remote="127.0.0.1",
        remote_port=23,
        outcome="connected",
        seconds=0.001,
    )
    ids = {
        observation(facts, where, "here", "2026-03-02T21:00:00.000Z", (), sockets).id
        for sockets in ((), (kept,), (replace(kept, local_port=40001),))
    }
    assert len(ids) == 3


# --- datagrams


def test_answer_comes_with_its_proof() -> None:
    async def run() -> None:
        async with datagrams(lambda data: data[::-1]) as peer:
            door = line(peer.port, 161)
            answer = await door.ask(161, b"abc")
            assert (answer.state, answer.data) == ("accepting", b"cba")
            assert [e.hex for e in answer.recorder.exchanges] == [b"abc".hex(), b"cba".hex()]
            assert (door.cost.datagrams, door.cost.bytes_sent, door.cost.bytes_received) == (1, 3, 3)

    asyncio.run(run())


def test_unreachable_port_is_refusing() -> None:
    answer = asyncio.run(line(free_port(socket.SOCK_DGRAM), 161).ask(161, b"x"))
    assert (answer.state, answer.data) == ("refusing", b"")
    kept = answer.recorder.socket
    assert kept is not None and kept.outcome == "ECONNREFUSED"
    if sys.platform == "linux":  # RFC 792: destination unreachable, port unreachable
        assert kept.icmp == IcmpError(sender="127.0.0.1", type=3, code=3)


def test_silence_costs_one_retransmission() -> None:
    async def run() -> tuple[Answer, list[bytes]]:
        async with datagrams(lambda _: None) as peer:
            answer = await line(peer.port, 161).ask(161, b"hello?", wait=0.05)
            return answer, peer.received

    answer, received = asyncio.run(run())
    assert (answer.state, answer.data) == ("silent", b"")
    assert received == [b"hello?", b"hello?"]
    assert answer.recorder.socket is not None and answer.recorder.socket.outcome == "no answer"


def test_second_try_is_heard() -> None:
    async def run() -> Answer:
        seen: list[bytes] = []

        def second(data: bytes) -> bytes | None:
            seen.append(data)
            return b"late" if len(seen) == 2 else None

        async with datagrams(second) as peer:
            return await line(peer.port, 161).ask(161, b"x", wait=0.05)

    answer = asyncio.run(run())
    assert (answer.state, answer.data) == ("accepting", b"late")
    assert [e.direction for e in answer.recorder.exchanges] == ["sent", "sent", "received"]


def test_reply_from_another_port_or_address_is_not_taken() -> None:
    async def run() -> Answer:
        loop = asyncio.get_running_loop()
        forgers = []
        for host in ("127.0.0.1", "127.0.0.3"):
            transport, _ = await loop.create_datagram_endpoint(asyncio.DatagramProtocol, (host, 0))
            forgers.append(transport)

        class Forged(Datagrams):
            def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
                for forger in forgers:
                    forger.sendto(b"forged", addr)

        transport, peer = await loop.create_datagram_endpoint(
            lambda: Forged(lambda _: None), ("127.0.0.1", 0)
        )
        try:
            return await line(peer.port, 161).ask(161, b"x", wait=0.1)
        finally:
            for one in (transport, *forgers):
                one.close()

    assert asyncio.run(run()).state == "silent"


# --- families and sources


def test_ipv6() -> None:
    async def run() -> None:
        async with sink(b"hi", "::1") as tcp, datagrams(lambda data: data, "::1") as udp:
            async with await line(tcp.port, 80, address="::1").connect(80) as stream:
                assert await stream.receive() == b"hi"
            assert tcp.peers == ["::1"]
            assert (await line(udp.port, 161, address="::1").ask(161, b"x")).data == b"x"

    if not _has_ipv6():
        pytest.skip("this machine has no ::1")
    asyncio.run(run())


def test_source_address_is_ours_to_choose() -> None:
    async def run() -> None:
        async with sink(b"hi") as tcp, datagrams(lambda data: data) as udp:
            async with await line(tcp.port, 80, source="127.0.0.2").connect(80) as stream:
                await stream.receive()
            await line(udp.port, 161, source="127.0.0.2").ask(161, b"x")
            assert (tcp.peers, udp.peers) == (["127.0.0.2"], ["127.0.0.2"])

    asyncio.run(run())


def test_source_of_the_other_family_is_silence_not_a_crash() -> None:
    async def run() -> None:
        door = line(free_port(), 80, address="::1", source="127.0.0.1")
        with pytest.raises(Unreachable) as caught:
            await door.connect(80)
        assert caught.value.state == "silent"
        assert (await door.ask(80, b"x", wait=0.05)).state == "silent"

    asyncio.run(run())


def _has_ipv6() -> bool:
    try:
        with socket.socket(socket.AF_INET6) as sock:
            sock.bind(("::1", 0))
    except OSError:
        return False
    return True


async def _until(true: Callable[[], bool]) -> None:
    while not true():
        await asyncio.sleep(0.005)


@pytest.mark.parametrize(
    ("theirs", "finished", "spare"),
    [
        ({}, (), 120 - 30),
        ({"b": 0}, (), 120 - 30 - 30),
        ({"b": 20}, (), 120 - 50 - 10),
        ({"b": 30}, (), 120 - 60),
        ({"b": 40}, ("b",), 120 - 70),
        ({"b": 40, "c": 0}, ("b",), 120 - 70 - 30),
        ({"b": 50, "c": 40}, ("b", "c"), 0),
    ],
)
def test_what_is_spare_leaves_each_address_that_waits_what_this_one_took(
    theirs: dict[str, int], finished: tuple[str, ...], spare: int
) -> None:
    """What others have spent counts for those that still wait, not for those that have finished."""
    turn = DeviceBudget(waiting={"127.0.0.1", *theirs})
    others = {
        name: line(address=name, turn=turn, cost=Cost(connections=spent)) for name, spent in theirs.items()
    }
    mine = line(turn=turn, cost=Cost(connections=30), timing=Timing(connections=120))
    for name in finished:
        others[name].finish()
        others[name].finish()  # a second visit of a device that was asleep
    assert mine.spare("connections") == spare
    mine.finish()
    assert mine.spare("connections") == spare
