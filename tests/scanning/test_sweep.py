"""The first touch, on loopback: who is alive, what it costs, and that nothing goes where it may not."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import time
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.offset import OFFSET

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.errors import ScopeRefused
from hardenprobe.model import State
from hardenprobe.network import audit_hook
from hardenprobe.network.rate_limit import Rate
from hardenprobe.planning.visit_order import VisitOrder
from hardenprobe.probes.snmp.agent import encode_discovery
from hardenprobe.scanning.sweep import FIRST_PORTS, SNMP, Pace, Touch, steps, sweep
from hardenprobe.scope.ports import RAW_PRINT
from hardenprobe.scope.scope import Scope

NET = f"127.{97 + os.getpid() // 256 % 30}.{os.getpid() % 256}"
QUICK = Pace(wait=0.4, rate=Rate(None))
# Report PDU of an engine discovery: RFC 3412 section 6, RFC 3414 section 4; engine id 8000000001020304.
REPORT = (
    "305402010330110204{id}020300ffe30401000201030418301604088000000001020304020101020101040004000400"
    "3022040880000000010203040400a8140202373302010002010030083006060a2b060106030f01010400"
)


def touch_all(
    addresses: list[str], *, ports: tuple[int, ...] = FIRST_PORTS, **options: object
) -> dict[str, Touch]:
    async def run() -> dict[str, Touch]:
        how = {"port_offset": OFFSET, "pace": QUICK, **options}
        bounds = how.pop("bounds", Scope.loopback())
        return {t.address: t async for t in sweep(addresses, bounds, ports=ports, **how)}  # type: ignore[arg-type]

    with audit_hook.watching():
        return asyncio.run(run())


@pytest.fixture
def listener() -> Iterator[socket.socket]:
    with socket.socket() as sock:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((f"{NET}.1", OFFSET + 80))
        sock.listen()
        yield sock


@pytest.fixture
def silent() -> Iterator[str]:
    """An address whose port 443 takes no more connections, as a full queue drops requests on Linux."""
    with socket.socket() as sock, contextlib.ExitStack() as stack:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((f"{NET}.9", OFFSET + 443))
        sock.listen(0)
        for _ in range(4):
            one = stack.enter_context(socket.socket())
            one.setblocking(False)
            one.connect_ex(sock.getsockname())
        yield f"{NET}.9"


def test_whoever_accepts_is_left_alone_at_once(listener: socket.socket) -> None:
    (touch,) = touch_all([f"{NET}.1"], ports=(80, 443)).values()
    assert (touch.state, touch.port, touch.transport, touch.tried, touch.datagrams) == (
        State.ACCEPTING, 80, "tcp", (80,), 0,
    )  # fmt: skip
    with listener.accept()[0] as peer, contextlib.suppress(ConnectionResetError):
        assert peer.recv(1) == b""
    listener.setblocking(False)
    with pytest.raises(BlockingIOError):
        listener.accept()


def test_a_reset_is_a_sign_of_life() -> None:
    (touch,) = touch_all([f"{NET}.2"]).values()
    assert (touch.state, touch.port, touch.tried) == (State.REFUSING, 443, (443,))


@pytest.mark.slow
def test_silence_on_one_port_costs_one_deadline(silent: str) -> None:
    began = time.monotonic()
    touches = touch_all([silent], ports=(443,), snmp=False)
    assert touches[silent].state is State.SILENT
    assert touches[silent].port is None
    assert QUICK.wait <= time.monotonic() - began < QUICK.wait * 2.5


def test_silence_on_the_first_port_leads_to_the_others(silent: str) -> None:
    touch = touch_all([silent], snmp=False)[silent]
    assert (touch.state, touch.port, touch.tried) == (State.REFUSING, 80, (443, 80))


def test_an_agent_that_answers_nothing_else_is_found(silent: str) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as agent:
        agent.bind((silent, OFFSET + SNMP))
        agent.settimeout(5)

        async def run() -> Touch:
            async def answer() -> None:
                data, peer = await asyncio.to_thread(agent.recvfrom, 2048)
                assert len(data) == len(encode_discovery(1 << 30))
                at = data.index(b"\x02\x04") + 2
                agent.sendto(bytes.fromhex(REPORT.format(id=data[at : at + 4].hex())), peer)

            answering = asyncio.create_task(answer())
            async for touch in sweep(
                [silent], Scope.loopback(), ports=(443,), port_offset=OFFSET, pace=Pace(wait=2.0)
            ):
                await answering
                return touch
            raise AssertionError

        touch = asyncio.run(run())
    assert (touch.state, touch.port, touch.transport) == (State.ACCEPTING, SNMP, "udp")
    assert touch.seconds < 1.0
    assert touch.cost.datagrams == 1


def test_every_address_is_told_once() -> None:
    wanted = AddressSet.of([f"{NET}.0/24"])
    touches: list[Touch] = []

    async def run() -> None:
        async for touch in sweep(VisitOrder(wanted, 3), Scope.loopback(), port_offset=OFFSET, pace=QUICK):
            touches.append(touch)

    with audit_hook.watching():
        asyncio.run(run())
    assert sorted(t.address for t in touches) == sorted(VisitOrder(wanted, 0))


def test_an_address_outside_the_scope_ends_the_sweep_before_a_packet() -> None:
    with pytest.raises(ScopeRefused, match=r"192\.0\.2\.1"):
        touch_all(["192.0.2.1"])


def test_the_stop_file_ends_a_sweep() -> None:
    class Stopped:
        def check_address(self, address: str) -> None:
            pass

        def check_now(self) -> None:
            raise ScopeRefused("stop file is there")

    async def run() -> None:
        addresses = (f"{NET}.{1 + n % 250}" for n in range(10_000_000))
        async for _ in sweep(addresses, Stopped(), port_offset=OFFSET, pace=QUICK):
            pass

    with pytest.raises(ScopeRefused, match="stop file"), audit_hook.watching():
        asyncio.run(run())


@pytest.mark.slow
def test_the_rate_holds_over_all_addresses() -> None:
    began = time.monotonic()
    touches = touch_all(
        [f"{NET}.{n}" for n in range(1, 61)], snmp=False, pace=Pace(wait=0.4, rate=Rate(100.0))
    )
    assert len(touches) == 60
    assert time.monotonic() - began >= 0.5  # 60 connections at 100 a second, less the first burst


def test_a_reader_that_leaves_closes_every_connection(silent: str) -> None:
    before = len(os.listdir("/proc/self/fd"))

    async def run() -> None:
        addresses = iter([f"{NET}.2", silent, *(f"{NET}.{n}" for n in range(10, 200))])
        async with contextlib.aclosing(
            sweep(addresses, Scope.loopback(), port_offset=OFFSET, pace=QUICK)
        ) as touches:
            async for _ in touches:
                break

    with audit_hook.watching():
        asyncio.run(run())
    assert len(os.listdir("/proc/self/fd")) <= before


@given(st.permutations([443, 80, 631, 9100, 23]), st.booleans(), st.floats(0.1, 10))
def test_a_silent_address_costs_one_deadline_whatever_is_asked(
    ports: list[int], snmp: bool, wait: float
) -> None:
    made = steps(ports, snmp, wait)
    assert sum(step.wait for step in made) == pytest.approx(wait)
    assert [s.port for s in made if s.port is not None] == ports
    assert sum(step.datagram for step in made) == (2 if snmp else 0)


def test_the_raw_print_port_comes_last() -> None:
    assert FIRST_PORTS[-1] in RAW_PRINT
    assert not RAW_PRINT & set(FIRST_PORTS[:-1])
