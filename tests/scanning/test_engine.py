"""Visits: what becomes of devices that refuse, crash us, lie, are fragile, or cost too much."""

from __future__ import annotations

import asyncio
import contextlib
import importlib
import itertools
import os
import random
import socket
import sys
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from functools import partialmethod
from pathlib import Path
from typing import Any

import pytest
from support.offset import OFFSET
from support.scans import job_and_rules

from hardenprobe.baseline import baseline
from hardenprobe.devices.inventory import Inventory, Listed
from hardenprobe.facts import FtpSession, HttpAnswer, ProbeFault, SnmpAnswer, TcpPort, TelnetGreeting, TlsPort
from hardenprobe.judging.completeness import INCOMPLETE, exit_status
from hardenprobe.library import scan_and_judge
from hardenprobe.model import Reach, Reason, Result, Review, State, Vantage, Word
from hardenprobe.model.visit import Visit
from hardenprobe.network.link import DeviceLink
from hardenprobe.network.stream import Stream
from hardenprobe.planning.plan import Plan, targets
from hardenprobe.plugins import registry
from hardenprobe.probes import tcp
from hardenprobe.probes.base import PortGreeting, ProbeContext
from hardenprobe.probes.files import ftp
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.scanning import presence
from hardenprobe.scanning.engine import Scan
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import LOOPBACK, Scope
from hardenprobe.testing import at, tcp_port

QUICK = Timing(connect=0.3, greeting=0.1, reply=0.3, pause=0.0)
ALL: frozenset[type[Any]] = frozenset({TcpPort, TelnetGreeting, FtpSession, HttpAnswer, SnmpAnswer})
ANCHORS = TrustAnchors.load([], system=False)
CHECKS = registry.load(plugins=False)
CORE = frozenset(
    {
        "allow-list-too-wide", "cleartext-ftp", "cleartext-http-management", "cleartext-print-raw", "cleartext-telnet",
        "snmp-default-community-read", "unexpected-service",
    }
)  # fmt: skip
EXPECTED = baseline.load("office-device", CHECKS)

_number = itertools.count(1)


def own_address() -> str:
    """A loopback address that no other test and no other run of the tests uses."""
    pid, number = os.getpid(), next(_number)
    return f"127.{120 + pid // 256 % 100}.{pid % 256}.{number}"


Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


def saying(greeting: bytes) -> Handler:
    async def handler(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(greeting)
        await reader.read()

    return handler


async def web(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(asyncio.IncompleteReadError):
        await reader.readuntil(b"\r\n\r\n")
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\nhi")


async def ftpd(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.write(b"220 ready\r\n")
    while await reader.readline():
        writer.write(b"331 go on\r\n")


class Device:
    """Handlers on logical ports of one address; counts connections and bytes of each port."""

    def __init__(self, ports: dict[int, Handler]) -> None:
        self.address, self.ports = own_address(), ports
        self.connections: Counter[int] = Counter()


@asynccontextmanager
async def running(*devices: Device) -> AsyncIterator[None]:
    tasks: set[asyncio.Task[None]] = set()
    async with contextlib.AsyncExitStack() as stack:
        for device in devices:
            for port, handler in device.ports.items():

                async def on_connect(
                    reader: asyncio.StreamReader,
                    writer: asyncio.StreamWriter,
                    device: Device = device,
                    port: int = port,
                    handler: Handler = handler,
                ) -> None:
                    device.connections[port] += 1
                    task = asyncio.current_task()
                    assert task is not None
                    tasks.add(task)
                    try:
                        with contextlib.suppress(ConnectionError, asyncio.CancelledError):
                            await handler(reader, writer)
                    finally:
                        writer.transport.abort()

                server = await asyncio.start_server(on_connect, device.address, port + OFFSET)
                stack.callback(server.close)
        try:
            yield
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)


def plan(*asked: str, **more: Any) -> Plan:
    given: dict[str, Any] = {
        "targets": targets(asked),
        "tcp_ports": (21, 23, 80, 9100),
        "udp_ports": (161,),
        "reach": Reach.ASK,
        "scope": Scope.loopback(),
        "vantages": (Vantage(name="here"),),
        "checks": CORE,
        "communities": ("public",),
        "http_paths": ("/",),
        "timing": QUICK,
        "port_offset": OFFSET,
    }
    return Plan(**{**given, **more})


async def visits_of(work: Plan, inventory: Inventory | None = None) -> tuple[Scan, dict[str, Visit]]:
    scan = Scan(plan=work, inventory=inventory or Inventory(), wanted=ALL, anchors=ANCHORS)
    return scan, {visit.address: visit async for visit in scan.visits()}


async def reviewed(work: Plan, inventory: Inventory | None = None) -> Review:
    return await scan_and_judge(
        *job_and_rules(
            plan=work,
            baseline=EXPECTED,
            registry=CHECKS,
            inventory=inventory or Inventory(),
            anchors=ANCHORS,
        )
    )


def listing(*devices: Listed) -> Inventory:
    return Inventory(devices=devices, by_address={a: d for d in devices for a in d.addresses}, source="test")


def results(found: Review, check: str) -> list[Result]:
    return [r for r in found.results if r.check == check]


# --- who is there


@pytest.mark.slow
def test_what_refuses_everything_is_refused_and_nobody_answered() -> None:
    found = asyncio.run(reviewed(plan(own_address())))
    assert (found.coverage.planned, found.coverage.visited, found.coverage.answered) == (1, 1, 0)
    assert found.devices == () and found.results == ()
    assert exit_status(found) == INCOMPLETE
    _, visits = asyncio.run(visits_of(plan(address := own_address())))
    assert (visits[address].outcome, visits[address].observations) == ("refused", ())
    assert visits[address].cost.bytes_sent > 0  # only SNMP's datagrams; each was unreachable


@pytest.mark.slow
def test_what_is_expected_and_silent_is_asked_at_every_port_and_touched_once_more() -> None:
    async def run() -> None:
        address = own_address()
        with contextlib.ExitStack() as stack:
            for port in (21, 80):
                full = stack.enter_context(socket.socket())
                full.bind((address, port + OFFSET))
                full.listen(0)
                for _ in range(4):  # a full backlog drops whoever else asks
                    waiting = stack.enter_context(socket.socket())
                    waiting.setblocking(False)
                    waiting.connect_ex(full.getsockname())
            timing = Timing(connect=0.1, greeting=0.05, reply=0.1, pause=0, second_try=0.2)
            work = plan(address, timing=timing, tcp_ports=(21, 80), udp_ports=())
            _, visits = await visits_of(work)
        assert visits[address].outcome == "silent"
        assert visits[address].cost.connections == 4  # 80, both side by side, and 80 at the second try

    asyncio.run(run())


@pytest.mark.slow
def test_what_answers_is_asked_in_its_own_protocol() -> None:
    device = Device({21: ftpd, 23: saying(b"\xff\xfb\x01login: "), 80: web, 9100: saying(b"")})

    async def run() -> Visit:
        async with running(device):
            _, visits = await visits_of(plan(device.address))
            return visits[device.address]

    visit = asyncio.run(run())
    assert visit.outcome == "answered"
    kinds = {o.kind: o.facts for o in visit.observations}
    assert kinds["telnet-greeting"].prompt == "login:"
    assert kinds["ftp-session"].user_code == 331
    assert kinds["http-answer"].status == 200
    assert kinds["tcp-port"].control and kinds["tcp-port"].state is State.REFUSING
    # The greeting proves telnet, so telnet costs no second connection; a raw port is touched once.
    assert (device.connections[23], device.connections[9100]) == (1, 1)


def test_reach_look_says_nothing() -> None:
    device = Device({21: ftpd, 23: saying(b"\xff\xfb\x01login: "), 80: web})

    async def run() -> Visit:
        async with running(device):
            _, visits = await visits_of(plan(device.address, reach=Reach.LOOK))
            return visits[device.address]

    visit = asyncio.run(run())
    assert (visit.cost.bytes_sent, visit.cost.datagrams) == (0, 0)
    assert {o.kind for o in visit.observations} == {"tcp-port", "telnet-greeting"}


def test_port_that_speaks_first_is_not_asked_for_a_page() -> None:
    device = Device({80: saying(b"SSH-2.0-odd\r\n")})

    async def run() -> Visit:
        async with running(device):
            _, visits = await visits_of(plan(device.address, udp_ports=()))
            return visits[device.address]

    visit = asyncio.run(run())
    assert visit.cost.bytes_sent == 0
    assert device.connections == {80: 2}  # greeted twice alike


# --- fragile devices


@pytest.mark.slow
def test_raw_ports_of_a_fragile_device_are_not_even_connected_to() -> None:
    ports = {p: saying(b"") for p in (9100, 9101, 9107)}
    fragile, sturdy = Device({**ports, 80: web}), Device({**ports, 80: web})
    known = listing(
        Listed(asset_tag="frail", addresses=(fragile.address,), fragile=True),
        Listed(asset_tag="sturdy", addresses=(sturdy.address,)),
    )

    async def run() -> Review:
        async with running(fragile, sturdy):
            work = plan(fragile.address, sturdy.address, tcp_ports=(80, 9100, 9101, 9107))
            return await reviewed(work, known)

    found = asyncio.run(run())
    assert set(fragile.connections) == {80}
    assert {p: sturdy.connections[p] for p in ports} == {9100: 1, 9101: 1, 9107: 1}
    frail = next(d for d in found.devices if d.asset_tag == "frail")
    (raw,) = [r for r in results(found, "cleartext-print-raw") if r.device == frail.id]
    assert raw.result is Word.UNKNOWN


@pytest.mark.slow
def test_raw_ports_hear_nothing_in_a_whole_scan() -> None:
    heard = bytearray()

    async def sink(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(1000):
            heard.extend(data)

    device = Device({515: sink, 9100: sink, 9103: sink, 80: web})
    declared = Listed(asset_tag="d", addresses=(device.address,))

    async def run() -> None:
        async with running(device):
            ports, everything = (80, 515, 9100, 9103), frozenset(CHECKS.checks)
            await reviewed(plan(device.address, tcp_ports=ports, checks=everything), listing(declared))

    asyncio.run(run())
    assert {p: device.connections[p] for p in (515, 9100, 9103)} == {515: 1, 9100: 1, 9103: 1}
    assert heard == b""


# --- what breaks


@pytest.mark.slow
def test_probe_that_breaks_costs_its_own_facts_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    device = Device({21: ftpd, 23: saying(b"\xff\xfb\x01login: "), 80: web})

    async def broken(*_: object) -> object:
        raise ZeroDivisionError("a bug of ours\x1b[31m")

    monkeypatch.setattr(ftp, "read_reply", broken)

    async def run() -> Review:
        async with running(device):
            return await reviewed(plan(device.address))

    found = asyncio.run(run())
    (fault,) = [
        o.facts for seen in found.observations.values() for o in seen if isinstance(o.facts, ProbeFault)
    ]
    assert (fault.probe, fault.kinds, fault.reason) == ("ftp", ("ftp-session",), Reason.CRASHED)
    assert "ZeroDivisionError" in fault.text and "\x1b" not in fault.text and "Traceback" not in fault.text
    (result,) = results(found, "cleartext-ftp")
    assert (result.result, result.reason) == (Word.ERROR, Reason.CRASHED)
    (telnet,) = results(found, "cleartext-telnet")
    assert telnet.result is Word.FAIL
    assert any(o.kind == "http-answer" for seen in found.observations.values() for o in seen)
    assert exit_status(found) == INCOMPLETE


@pytest.mark.slow
def test_a_probe_that_raises_at_any_step_costs_that_place_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Connecting, sending and receiving at port 80 break in turn; ports 21, 23 and 8080 are judged as if nothing had."""
    steps = {name: getattr(owner, name) for owner, name in STEPS}
    left = 0

    async def raises(self: Any, step: str, *args: Any, **more: Any) -> Any:
        nonlocal left
        port = args[0] if step == "connect" else self.port
        if port == 80:
            left -= 1
            if left == 0:
                raise ZeroDivisionError("a bug of ours")
        return await steps[step](self, *args, **more)

    for owner, name in STEPS:
        monkeypatch.setattr(owner, name, partialmethod(raises, name))

    def scanned(fails_at: int) -> tuple[Review, bool]:
        nonlocal left
        left = fails_at
        device = Device({21: ftpd, 23: saying(b"\xff\xfb\x01login: "), 80: web, 8080: web})

        async def run() -> Review:
            async with running(device):
                return await reviewed(plan(device.address, tcp_ports=(21, 23, 80, 8080), udp_ports=()))

        return asyncio.run(run()), left <= 0

    whole = verdicts(scanned(0)[0])
    step = 0
    for step in itertools.count(1):
        found, broke = scanned(step)
        if not broke:
            break
        assert (verdicts(found).items() ^ whole.items()) == {
            one for one in verdicts(found).items() ^ whole.items() if one[0][1] in (80, None)
        }, step
        errors = [r for r in found.results if r.result is Word.ERROR]
        assert errors and all("probe" in r.observed.text for r in errors)
        assert {r.check for r in errors}.isdisjoint(
            {"cleartext-ftp", "allow-list-too-wide"} if step > 2 else ()
        )
        (notice,) = [n for n in found.notices if "crashed" in n]
        assert "80/tcp" in notice and "ZeroDivisionError" in notice
    assert step > 5, "connect and listen, then connect, send and receive"


STEPS = ((DeviceLink, "connect"), (Stream, "send"), (Stream, "receive"))


def verdicts(found: Review) -> dict[tuple[str, int | None], Word]:
    return {(r.check, r.endpoint.port if r.endpoint else None): r.result for r in found.results}


def test_bug_in_one_visit_leaves_the_others_and_does_not_look_like_silence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    good, bad = Device({23: saying(b"login: ")}), Device({23: saying(b"login: ")})
    look = tcp.look_first

    async def broken(line: Any, port: int, wait: float) -> Any:
        if line.address == bad.address:
            raise KeyError("a bug of ours")
        return await look(line, port, wait)

    monkeypatch.setattr(tcp, "look_first", broken)

    async def run() -> Review:
        async with running(good, bad):
            return await reviewed(plan(good.address, bad.address))

    found = asyncio.run(run())
    assert [d.addresses[0].address for d in found.devices] == [good.address]
    assert found.coverage.unfinished == (bad.address,)
    assert found.coverage.answered == 1
    assert exit_status(found) == INCOMPLETE


@pytest.mark.slow
def test_observer_that_fails_does_not_hang_the_scan() -> None:
    """Whoever reads the visits may stop at any moment, though all workers still have some to give."""

    async def run() -> None:
        first = own_address()
        stem = first.rpartition(".")[0]
        work = plan(*(f"{stem}.{n}" for n in range(1, 201)), tcp_ports=(80,), udp_ports=())
        scan = Scan(plan=work, inventory=Inventory(), wanted=ALL, anchors=ANCHORS)
        visits = scan.visits()
        await anext(visits)
        await asyncio.sleep(0.3)  # the queue fills behind our back; nothing tells when
        async with asyncio.timeout(5):
            await visits.aclose()  # type: ignore[attr-defined]

    asyncio.run(run())


# --- ceilings


@pytest.mark.parametrize(
    ("timing", "words"),
    [
        (Timing(connect=0.3, greeting=0.1, reply=0.2, pause=0, connections=3), "connections"),
        (Timing(connect=0.3, greeting=0.1, reply=0.2, pause=0, datagrams=1), "datagrams"),
        (Timing(connect=0.3, greeting=0.1, reply=0.2, pause=0, bytes_received=150), "bytes"),
        (Timing(connect=0.3, greeting=0.2, reply=0.2, pause=0, seconds=0.3), "time"),
    ],
    ids=["connections", "datagrams", "bytes", "seconds"],
)
@pytest.mark.slow
def test_what_a_ceiling_cut_is_unknown_for_that_reason(timing: Timing, words: str) -> None:
    device = Device({p: saying(b"hello there" * 10) for p in (80, 7, 9, 13, 21)})

    async def run() -> Review:
        loop = asyncio.get_running_loop()
        mute, _ = await loop.create_datagram_endpoint(
            asyncio.DatagramProtocol, (device.address, 161 + OFFSET)
        )
        try:
            async with running(device):
                return await reviewed(plan(device.address, timing=timing, tcp_ports=(7, 9, 13, 21, 80)))
        finally:
            mute.close()

    found = asyncio.run(run())
    (fault,) = [
        o.facts for seen in found.observations.values() for o in seen if isinstance(o.facts, ProbeFault)
    ]
    assert (fault.probe, fault.reason) == ("visit", Reason.CEILING)
    assert words in fault.text
    for check in ("cleartext-telnet", "cleartext-ftp", "cleartext-http-management"):
        (result,) = results(found, check)
        assert (result.result, result.reason) == (Word.UNKNOWN, Reason.CEILING), check
    assert not any(r.result is Word.PASS and r.check != "allow-list-too-wide" for r in found.results)


@pytest.mark.slow
def test_device_that_never_ends_takes_its_time_and_no_more() -> None:
    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            writer.write(b".")
            await writer.drain()
            await asyncio.sleep(0.02)

    device = Device(dict.fromkeys((7, 9, 13, 21, 80), drip))
    timing = Timing(connect=0.3, greeting=0.1, reply=0.2, pause=0, seconds=3)

    async def run() -> Visit:
        async with running(device):
            async with asyncio.timeout(6):
                _, visits = await visits_of(
                    plan(device.address, timing=timing, tcp_ports=(7, 9, 13, 21, 80), udp_ports=())
                )
            return visits[device.address]

    visit = asyncio.run(run())
    assert visit.outcome == "answered"
    assert [o.facts.reason for o in visit.observations if isinstance(o.facts, ProbeFault)] == [Reason.CEILING]


# --- the scope, midway


@pytest.mark.slow
def test_scope_that_closes_midway_stops_the_scan_and_keeps_what_was_seen(tmp_path: Path) -> None:
    stop = tmp_path / "stop"

    async def telnet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        stop.touch()
        await saying(b"login: ")(reader, writer)

    first = Device({80: telnet})
    others = [own_address() for _ in range(100)]
    scope = Scope(name="ours", networks=LOOPBACK, stop_file=stop, reach=Reach.ASK)

    async def run() -> Review:
        async with running(first):
            return await reviewed(plan(first.address, *others, scope=scope))

    found = asyncio.run(run())
    assert found.head.interrupted
    assert first.address in found.coverage.unfinished
    assert first.connections == {80: 1}
    assert [d.addresses[0].address for d in found.devices] == [
        first.address
    ]  # no device where nobody answered
    assert any("stop file" in notice for notice in found.notices)
    assert exit_status(found) == INCOMPLETE
    assert found.coverage.visited < found.coverage.planned
    passes = [r.check for r in found.results if r.result is Word.PASS]
    assert passes == [], "the rest of its ports was never looked at"


def test_a_source_address_that_is_gone_says_nothing_of_a_device() -> None:
    """192.0.2.1 (RFC 5737) is no address of ours: bind fails with EADDRNOTAVAIL, as after an address was taken away."""
    device = Device({23: saying(b"\xff\xfb\x01login: ")})
    gone = (Vantage(name="here", source="192.0.2.1"),)
    known = listing(Listed(asset_tag="d", addresses=(device.address,)))

    async def run() -> Review:
        async with running(device):
            return await reviewed(plan(device.address, vantages=gone, udp_ports=()), known)

    found = asyncio.run(run())
    assert found.coverage.unfinished == (device.address,)
    assert device.connections == {}
    assert not [r for r in found.results if r.result is Word.PASS]
    assert exit_status(found) == INCOMPLETE


@pytest.mark.skipif(
    sys.platform != "linux", reason="where the system is short of descriptors, not of anything else"
)
def test_a_machine_without_descriptors_says_nothing_of_a_device() -> None:
    """RLIMIT_NOFILE of getrlimit(2): the next socket fails with EMFILE. Port 23 speaks telnet, and was not asked."""
    resource = importlib.import_module("resource")
    before = resource.getrlimit(resource.RLIMIT_NOFILE)

    async def last(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        resource.setrlimit(resource.RLIMIT_NOFILE, (3, before[1]))
        asyncio.get_running_loop().call_later(0.5, resource.setrlimit, resource.RLIMIT_NOFILE, before)
        await saying(b"hello")(reader, writer)

    device = Device({80: last, 23: saying(b"\xff\xfb\x01login: ")})
    other = own_address()

    async def run() -> Review:
        try:
            async with running(device):
                return await reviewed(plan(device.address, other, udp_ports=()))
        finally:
            resource.setrlimit(resource.RLIMIT_NOFILE, before)

    found = asyncio.run(run())
    assert device.address in found.coverage.unfinished
    assert not [r for r in found.results if r.result in (Word.PASS, Word.ERROR)]
    assert exit_status(found) == INCOMPLETE and not found.head.interrupted


def test_plan_is_left_alone_where_the_scope_refuses_at_once(tmp_path: Path) -> None:
    stop = tmp_path / "stop"
    stop.touch()
    device = Device({23: saying(b"login: ")})
    scope = Scope(name="ours", networks=LOOPBACK, stop_file=stop)

    async def run() -> tuple[Scan, dict[str, Visit]]:
        async with running(device):
            return await visits_of(plan(device.address, scope=scope))

    scan, visits = asyncio.run(run())
    assert scan.interrupted and device.connections == {}
    assert visits[device.address].outcome == "unfinished"


# --- ports that prove nothing


def test_tarpit_is_ambiguous(monkeypatch: pytest.MonkeyPatch) -> None:
    """A device on which the random high port accepts as well."""
    device = Device({80: web, 9100: saying(b""), 8: saying(b"")})

    def chosen(ports: Sequence[int]) -> int:
        assert all(49152 <= port + OFFSET <= 65535 for port in ports)
        return 8

    monkeypatch.setattr(random, "choice", chosen)

    async def run() -> Review:
        async with running(device):
            return await reviewed(plan(device.address))

    found = asyncio.run(run())
    (raw,) = results(found, "cleartext-print-raw")
    assert (raw.result, raw.reason) == (Word.UNKNOWN, Reason.AMBIGUOUS)
    (device_seen,) = found.observations.values()
    assert [o.endpoint.port for o in device_seen if isinstance(o.facts, TcpPort) and o.facts.control] == [8]
    assert all(s.port != 8 for s in found.devices[0].services)


@pytest.mark.parametrize("offset", [0, 20000, 49151, 55535])
def test_control_port_lies_in_the_dynamic_range_whatever_the_offset(offset: int) -> None:
    """With a lab's offset added it must stay a port, and must not be one that the lab serves."""
    address = own_address()
    logical = 80

    async def run() -> Visit:
        server = await asyncio.start_server(
            lambda r, w: web(r, w), address, 0 if offset == 0 else logical + offset
        )
        async with server:
            real = server.sockets[0].getsockname()[1]
            ports = (real - offset,)
            _, visits = await visits_of(plan(address, port_offset=offset, tcp_ports=ports, udp_ports=()))
            return visits[address]

    visit = asyncio.run(run())
    (control,) = [o for o in visit.observations if isinstance(o.facts, TcpPort) and o.facts.control]
    assert control.endpoint is not None
    assert 49152 <= control.endpoint.port + offset <= 65535
    assert control.facts.state is State.REFUSING
    assert not any(isinstance(o.facts, ProbeFault) for o in visit.observations)


# --- families


def test_both_families_in_one_scan() -> None:
    """The source that suits the first target must not silence the targets of the other family."""

    async def run() -> dict[str, Visit]:
        server = await asyncio.start_server(lambda r, w: saying(b"login: ")(r, w), "::1", 0)
        async with server:
            real = server.sockets[0].getsockname()[1]
            work = plan(
                own_address(),
                "::1",
                vantages=(Vantage(name="here", source="127.0.0.1"),),
                tcp_ports=(23,),
                udp_ports=(),
                port_offset=real - 23,
                reach=Reach.LOOK,
            )
            _, visits = await visits_of(work)
            return visits

    try:
        visits = asyncio.run(run())
    except OSError:
        pytest.skip("this machine has no ::1")
    assert visits["::1"].outcome == "answered"


@pytest.mark.slow
def test_vantage_points_each_ask_from_their_own_address() -> None:
    peers: set[str] = set()

    async def handler(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        peers.add(writer.get_extra_info("peername")[0])
        await saying(b"login: ")(reader, writer)

    device = Device({23: handler})
    sources = {"office": own_address(), "guest": own_address()}

    async def run() -> Review:
        async with running(device):
            vantages = tuple(Vantage(name=n, source=s) for n, s in sources.items())
            return await reviewed(plan(device.address, vantages=vantages))

    found = asyncio.run(run())
    assert peers == set(sources.values())
    assert {r.vantage for r in results(found, "cleartext-telnet")} == set(sources)
    assert len(found.devices) == 1


def test_engine_asks_no_device_twice_at_the_same_moment() -> None:
    """Names, addresses and ranges that overlap are one visit."""
    address = own_address()
    _, visits = asyncio.run(visits_of(plan(address, f"{address}/32", f"{address}-{address}")))
    assert list(visits) == [address]


@pytest.mark.slow
def test_a_device_with_two_addresses_and_two_vantage_points_has_one_connection_at_a_time() -> None:
    open_now, most = 0, 0

    async def handler(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal open_now, most
        open_now += 1
        most = max(most, open_now)
        try:
            await saying(b"login: ")(reader, writer)
        finally:
            open_now -= 1

    one, two = Device({21: handler, 23: handler}), Device({21: handler, 23: handler})
    listed = Listed(asset_tag="T-1", addresses=(one.address, two.address))
    vantages = tuple(Vantage(name=n, source=own_address()) for n in ("office", "guest"))

    async def run() -> None:
        async with running(one, two):
            await visits_of(plan(one.address, two.address, vantages=vantages), listing(listed))

    asyncio.run(run())
    assert sum((one.connections + two.connections).values()) == 8
    assert most == 1


def test_ports_come_in_the_order_of_the_plan_however_they_answered() -> None:
    """And what is asked of the same port twice stays in the order in which it was asked."""
    looked = [tcp_port(80), tcp_port(23), tcp_port(80, State.REFUSING), tcp_port(61000), tcp_port(21)]
    other = at(80, TlsPort(speaks=False))
    asked = ProbeContext(
        line=DeviceLink(address="127.0.9.10", permit=Scope.loopback()),
        plan=plan("127.0.9.10"),
        listed=None,
        wanted=frozenset(),
        anchors=TrustAnchors(),
        heard={port: PortGreeting(looked[0], b"") for port in (61000, 80, 23, 21)},
        seen=[*looked[:2], other, *looked[2:]],
    )
    presence.put_in_order(asked)
    assert asked.seen == [looked[4], looked[1], other, looked[0], looked[2], looked[3]]
    assert list(asked.heard) == [21, 23, 80, 61000]
