"""What hardenprobe promises of its safety, promise by promise. Every device here is a real socket that writes down what comes.

Deeper tests of each promise are in the rooms that keep it; here each is held once, end to end where it can be.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import itertools
import json
import logging
import os
import re
import socket
import statistics
import struct
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path
from typing import Any, TypeVar

import click
import pytest
from pysnmp.proto import rfc1902
from rich.console import Console
from support.offset import OFFSET
from support.scans import job_and_rules

from hardenprobe import cli
from hardenprobe.addresses.sets import AddressSet
from hardenprobe.baseline import baseline
from hardenprobe.cli.scan import command as scan_command
from hardenprobe.demo_lab import mib
from hardenprobe.demo_lab.declarations import Lab, Virtual
from hardenprobe.demo_lab.service import Host
from hardenprobe.demo_lab.service_snmp import Snmp
from hardenprobe.devices.credentials import Community, Secret, Secrets, User
from hardenprobe.devices.inventory import Inventory, Listed
from hardenprobe.errors import ScopeRefused
from hardenprobe.facts import HttpAnswer, SnmpAnswer, SnmpUser, TcpPort
from hardenprobe.library import scan_and_judge
from hardenprobe.model import Reach, Reason, Review, Vantage, Word, document
from hardenprobe.model.transcript import KEPT
from hardenprobe.network import audit_hook
from hardenprobe.network.link import DeviceLink
from hardenprobe.planning import plan
from hardenprobe.planning.plan import Plan, check_scope, targets
from hardenprobe.plugins import registry
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.probes.tls import ports as tls_ports
from hardenprobe.reports import FORMATS, terminal
from hardenprobe.reports.text import CAUTION
from hardenprobe.scanning import engine, probe_order
from hardenprobe.scanning.request import ScanRequest, pinned
from hardenprobe.scope import scope_file
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import Scope
from hardenprobe.scope.window import Window
from hardenprobe.store import opening
from hardenprobe.testing import HOSTILE

QUICK = Timing(connect=0.3, greeting=0.1, reply=0.3, pause=0.0, second_try=0.1)
CHECKS = registry.load(plugins=False)
EXPECTED = baseline.load("office-device", CHECKS)
ANCHORS = TrustAnchors.load([], system=False)
CANARIES = (
    "canary-cookie",
    "canary-body",
    "canary-field",
    "canary-person",
    "canary-community",
    "canary-login",
)
FLEET = "canary-community"
ENGINE = bytes.fromhex("80007ed905aabbccdd")

# A message in BER of version 0 or 1, up to the length of its community.
_REQUEST = re.compile(rb"\x30(?:[\x00-\x7f]|\x81.|\x82..)\x02\x01[\x00\x01]\x04([\x00-\x7f])", re.DOTALL)

_number = itertools.count(1)


def own_address() -> str:
    """A loopback address that no other test and no other run of the tests uses."""
    pid, number = os.getpid(), next(_number)
    return f"127.{220 + pid // 256 % 20}.{pid % 256}.{number}"


F = TypeVar("F")
Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


async def silent(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Takes everything, as a raw print port does, and says nothing."""


def saying(greeting: bytes) -> Handler:
    async def handler(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(greeting)

    return handler


def web(elsewhere: str) -> Handler:
    """A page that sends whoever reads it elsewhere in every way, and carries what must not be kept."""
    away = f"http://{elsewhere}:{80 + OFFSET}/"
    body = (
        f'<?xml version="1.0"?><!DOCTYPE html SYSTEM "{away}x.dtd" [<!ENTITY e SYSTEM "{away}e">]><html><head>'
        f'<title>{HOSTILE[0]}</title><link rel="stylesheet" href="{away}c.css"></head><body>canary-body &e;'
        f'<form><input name="user" value="canary-field"></form><img src="{away}i.png"></body></html>'
    ).encode()
    head = (
        f"HTTP/1.1 302 Found\r\nLocation: {away}\r\nSet-Cookie: session=canary-cookie; Path=/\r\n"
        f"Server: {HOSTILE[4]}\r\nContent-Type: text/html\r\nContent-Length: {len(body)}\r\n\r\n"
    ).encode()

    async def handler(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError):
            await reader.readuntil(b"\r\n\r\n")
            writer.write(head + body)

    return handler


async def ftp(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.write(b"220 ready\r\n")
    while line := await reader.readline():
        writer.write(b"230 hello\r\n" if line.startswith(b"PASS") else b"331 go on\r\n")


class Recorded(asyncio.StreamReader):
    """A reader that keeps what it was fed."""

    def __init__(self) -> None:
        super().__init__()
        self.heard = bytearray()

    def feed_data(self, data: Any) -> None:
        self.heard += data
        super().feed_data(data)


@dataclass
class Device:
    """Handlers on logical TCP ports, and an agent on UDP 161; writes down every connection and every byte."""

    ports: dict[int, Handler]
    agent: Callable[[bytes], bytes | None] | None = None
    address: str = field(default_factory=own_address)
    connections: Counter[int] = field(default_factory=Counter)
    spans: list[tuple[float, float]] = field(default_factory=list)
    said: dict[int, bytearray] = field(default_factory=dict)
    datagrams: list[bytes] = field(default_factory=list)

    @property
    def communities(self) -> list[bytes]:
        """Of every version 1 and 2c request, in turn (RFC 1157 section 4, RFC 1901 section 3)."""
        found = (_REQUEST.match(data) for data in self.datagrams)
        return [m.string[m.end() : m.end() + m[1][0]] for m in found if m]

    async def serve(self, stack: contextlib.AsyncExitStack) -> None:
        loop = asyncio.get_running_loop()
        for port, handler in self.ports.items():

            def connected(port: int = port, handler: Handler = handler) -> asyncio.StreamReaderProtocol:
                reader = Recorded()

                async def talk(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
                    began = time.monotonic()
                    self.connections[port] += 1
                    with contextlib.suppress(ConnectionError, asyncio.CancelledError):
                        await handler(reader, writer)
                        await reader.read()
                    self.said.setdefault(port, bytearray()).extend(reader.heard)
                    self.spans.append((began, time.monotonic()))
                    writer.transport.abort()

                return asyncio.StreamReaderProtocol(reader, talk)

            server = await loop.create_server(connected, self.address, port + OFFSET)
            stack.callback(server.close)
        if self.agent is not None:
            sock = stack.enter_context(socket.socket(type=socket.SOCK_DGRAM))
            sock.setblocking(False)
            sock.bind((self.address, 161 + OFFSET))
            loop.add_reader(sock, self.answer, sock)
            stack.callback(loop.remove_reader, sock)

    def answer(self, sock: socket.socket) -> None:
        with contextlib.suppress(BlockingIOError):
            data, peer = sock.recvfrom(65535)
            self.datagrams.append(data)
            assert self.agent is not None
            if answer := self.agent(data):
                with audit_hook.granted(sock, *peer):  # it is the device that answers, in this same process
                    sock.sendto(answer, peer)


def agent(*channels: int, communities: tuple[str, ...] = ("public",), serial: str | None = None) -> Any:
    """The lab's own agent of a device whose owner is a person, with raw print channels on these ports."""
    listed = Listed(asset_tag="T-1", addresses=("127.0.0.1",), kind="printer", serial=serial)
    host = Host(device=Virtual(listed=listed, lab=Lab(model="Model")), port_offset=0, engine_id=ENGINE)
    return Snmp(
        versions=("1", "2c"), communities=communities, channels=channels, contact="canary-person"
    ).answerer(host)


def work(*asked: str, **more: Any) -> Plan:
    given: dict[str, Any] = {
        "targets": targets(asked),
        "tcp_ports": (7, 21, 22, 23, 80, 515, 8080, 9100, 9103),
        "udp_ports": (161,),
        "reach": Reach.ASK,
        "scope": replace(Scope.loopback(), contacts=("Night desk <night.desk@port.example>",)),
        "vantages": (Vantage(name="here", source="127.0.0.1"),),
        "checks": frozenset(CHECKS.checks),
        "communities": ("public", "private"),
        "http_paths": ("/",),
        "timing": QUICK,
        "port_offset": OFFSET,
    }
    return Plan(**{**given, **more})


def listing(*devices: Listed) -> Inventory:
    return Inventory(devices=devices, by_address={a: d for d in devices for a in d.addresses}, source="test")


async def asked(
    plan: Plan, *devices: Device, inventory: Inventory | None = None, secrets: Secrets | None = None
) -> Review:
    async with contextlib.AsyncExitStack() as stack:
        for device in devices:
            await device.serve(stack)
        found = await scan_and_judge(
            *job_and_rules(
                plan=plan, baseline=EXPECTED, registry=CHECKS, inventory=inventory or Inventory(), anchors=ANCHORS,
                secrets=secrets or Secrets(),
            )
        )  # fmt: skip
        await asyncio.sleep(0.05)  # the devices see the last connections end
        return found


def facts_of(found: Review, kind: type[F]) -> list[F]:
    return [o.facts for seen in found.observations.values() for o in seen if isinstance(o.facts, kind)]


def results(found: Review, check: str) -> list[Any]:
    return [r for r in found.results if r.check == check]


# --- one scan of an office for many promises


@dataclass
class Office:
    """A scan at reach ask with every check, and all that the devices heard of it."""

    main: Device
    confirmed: Device
    fragile: Device
    elsewhere: Device
    proxy: Device
    found: Review
    log: str


@pytest.fixture(scope="module")
def office() -> Office:
    elsewhere = Device({80: silent})
    proxy = Device({3128: silent})
    ssh = saying(b"SSH-2.0-device\r\n")
    main = Device(
        {7: silent, 21: ftp, 22: ssh, 23: saying(b"\xff\xfb\x01login: "), 80: web(elsewhere.address), 515: silent,
         8080: silent, 9100: silent, 9103: silent},
        agent(8080),
    )  # fmt: skip
    fragile = Device({80: web(elsewhere.address), 9100: silent, 9103: silent})
    confirmed = Device({80: saying(b"")}, agent(communities=("public", FLEET), serial="S-1"))
    known = listing(
        Listed(asset_tag="frail", addresses=(fragile.address,), fragile=True),
        Listed(asset_tag="unproven", addresses=(main.address,), serial="another"),
        Listed(asset_tag="proven", addresses=(confirmed.address,), serial="S-1"),
    )
    secrets = Secrets(communities=(Community(label="of the fleet", community=Secret(FLEET)),))
    heard = io.StringIO()
    handler = logging.StreamHandler(heard)
    logger = logging.getLogger("hardenprobe")
    level = logger.level
    logger.addHandler(handler)
    logger.setLevel(logging.DEBUG)
    through = f"http://{proxy.address}:{3128 + OFFSET}"
    try:
        with pytest.MonkeyPatch.context() as patch:
            for name in ("http_proxy", "https_proxy", "all_proxy", "HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY"):
                patch.setenv(name, through)
            plan = work(main.address, fragile.address, confirmed.address, timing=replace(QUICK, pause=0.03))
            found = asyncio.run(
                asked(plan, main, fragile, confirmed, elsewhere, proxy, inventory=known, secrets=secrets)
            )
    finally:
        logger.removeHandler(handler)
        logger.setLevel(level)
    return Office(main, confirmed, fragile, elsewhere, proxy, found, heard.getvalue())


@pytest.mark.slow
def test_the_office_was_really_asked(office: Office) -> None:
    """Without this, silence would prove nothing below."""
    assert all(facts_of(office.found, kind) for kind in (TcpPort, HttpAnswer, SnmpAnswer))
    assert b"GET " in office.main.said[80] and b"USER " in office.main.said[21]
    assert len(office.found.devices) == 3


# --- scope


def test_this_machine_needs_no_scope_file_and_every_other_address_does() -> None:
    check_scope(work("127.0.0.1", "::1"))
    for other in ("192.0.2.1", "10.0.0.1", "2001:db8::1", "fe80::1", "128.0.0.1"):
        with pytest.raises(ScopeRefused, match="needs a scope file"):
            check_scope(work("127.0.0.1", other))


@pytest.mark.parametrize(("target", "noticed"), [("127.0.0.1", True), ("127.77.0.9", False)])
def test_loopback_outside_the_lab_is_noticed_as_a_possible_tunnel(
    target: str, noticed: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["scan", target, "--dry-run", "--no-plugins"]) == 0
    assert ("tunnel that ends elsewhere" in capsys.readouterr().err) is noticed


def test_a_scope_file_names_all_that_a_scan_is_held_to(tmp_path: Path) -> None:
    file = tmp_path / "scope.yaml"
    file.write_text(
        'scope: "hardenprobe.scope/1"\nname: "n"\nauthorised_by: "Imke Sandvoort"\nnetworks: ["192.0.2.0/24"]\n'
        'exclude: ["192.0.2.9"]\ncontacts: {monitoring: "desk", abort: "officer"}\nsources: ["192.0.2.7"]\n'
        'window: {first: "22:00", last: "05:00", zone: "Europe/Berlin"}\nstop_file: "stop"\nreach: "look"\n'
    )
    scope = scope_file.load(file)
    refused: dict[str, Callable[[], object]] = {
        "outside every network": lambda: scope.check_address("198.51.100.1"),
        "excluded by scope": lambda: scope.check_address("192.0.2.9"),
        "none of the testers' addresses": lambda: scope.check_source("192.0.2.8"),
        "it is closed now": lambda: scope.check_now(datetime(2026, 7, 1, 3, 0, tzinfo=UTC)),  # 05:00 there
        "reach ask is not granted": lambda: scope.check_reach(Reach.ASK),
    }
    for says, call in refused.items():
        with pytest.raises(ScopeRefused, match=says):
            call()
    scope.check_now(datetime(2026, 7, 1, 2, 59, tzinfo=UTC))
    said = scope.authorisation(QUICK)
    assert (said.authorised_by, said.contacts, said.abort) == ("Imke Sandvoort", ("desk",), ("officer",))
    assert (said.window, said.stop_file) == ("22:00 to 05:00 Europe/Berlin", "stop")


@pytest.mark.slow
def test_a_stop_file_is_honoured_within_seconds_in_the_middle_of_an_exchange(tmp_path: Path) -> None:
    stop = tmp_path / "stop"

    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            writer.write(b"x")
            await asyncio.sleep(0.02)

    device = Device({23: drip})

    async def run() -> float:
        async with contextlib.AsyncExitStack() as stack:
            await device.serve(stack)
            line = DeviceLink(
                address=device.address, permit=replace(Scope.loopback(), stop_file=stop), port_offset=OFFSET
            )
            async with await line.connect(23) as stream:
                await stream.receive()
                stop.touch()
                began = time.monotonic()
                with pytest.raises(ScopeRefused, match="stop file"):
                    while time.monotonic() - began < 10:
                        await stream.receive()
                return time.monotonic() - began

    assert asyncio.run(run()) < 2


@pytest.mark.slow
def test_outside_the_window_or_the_networks_nothing_leaves() -> None:
    device = Device({23: silent, 80: silent}, agent())
    now = datetime.now(UTC)
    hours = [f"{now + timedelta(hours=h):%H:%M}" for h in (2, 3)]
    mine = Scope.loopback()
    for scope, says in (
        (replace(mine, window=Window(first=hours[0], last=hours[1])), "it is closed now"),
        (replace(mine, until=(now - timedelta(days=2)).date()), "ended on"),
        (replace(mine, name="n", networks=AddressSet.of(["127.0.0.0/24"])), "outside every network"),
        (replace(mine, exclude=AddressSet.of([device.address])), "excluded"),
    ):
        plan = work(device.address, scope=scope)
        with pytest.raises(ScopeRefused, match=says):
            check_scope(plan)
        # And were the plan not checked: every visit and every touch asks for itself.
        asyncio.run(asked(plan, device))
    assert (device.connections, device.datagrams) == ({}, [])


def test_a_name_is_resolved_once_every_answer_is_checked_and_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    answers = [["127.77.0.5", "127.77.0.6"]]

    def resolve(name: str, *_: Any, **__: Any) -> list[Any]:
        return [(2, 1, 6, "", (address, 0)) for address in answers.pop()]

    monkeypatch.setattr(plan.socket, "getaddrinfo", resolve)
    request = ScanRequest(targets=pinned(["printer.example"]), plugins=False, system_anchors=False)
    for _ in range(2):  # when it is begun, and when it goes on
        order, _ = request.prepare()
        assert [str(t.first) for t in order.plan.targets] == ["127.77.0.5", "127.77.0.6"]
    assert not answers, "asked once"
    answers.append(["127.77.0.5", "192.0.2.1"])
    with pytest.raises(ScopeRefused, match=r"192\.0\.2\.1"):
        check_scope(work("printer.example"))


@pytest.mark.slow
def test_network_and_broadcast_addresses_of_known_links_are_skipped() -> None:
    device, end = Device({80: silent}), Device({80: silent})
    nobodys = AddressSet.of([end.address])
    found = asyncio.run(asked(work(f"{device.address}-{end.address}", nobodys=nobodys), device, end))
    assert device.connections[80] and not end.connections
    assert found.coverage.planned == 1
    assert "192.0.2.0" not in {str(t.first) for t in targets(["192.0.2.0/30"])}


def test_multicast_goes_out_by_grant_only() -> None:
    scope = Scope(name="n", networks=AddressSet.of(["192.0.2.0/24"]))
    for group in ("224.0.0.251", "ff02::fb"):
        with pytest.raises(ScopeRefused, match=r"grants: \[multicast:LINK\]"):
            scope.check(group)
        replace(scope, grants=frozenset({"multicast:eth0"})).check(group)


# --- the second door


def test_what_opens_a_socket_of_its_own_is_refused_named_and_counted() -> None:
    """In a process of its own: an audit hook stays."""
    program = (
        "import socket\nfrom hardenprobe.network import audit_hook as guard\n"
        "def outside(call):\n"
        "    try: call()\n"
        "    except Exception as exc: print(type(exc).__name__)\n"
        "with guard.watching():\n"
        "    outside(lambda: socket.create_connection(('127.0.0.1', 9), 1))\n"
        "    outside(lambda: socket.socket(type=socket.SOCK_DGRAM).sendto(b'x', ('127.0.0.1', 9)))\n"
        "    outside(lambda: socket.socket().bind(('127.0.0.1', 40999)))\n"
        "    outside(lambda: socket.gethostbyname('localhost'))\n"
        "    print(len(guard.tried()))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=30
    )
    assert done.stdout.split() == ["PastTheDoor"] * 4 + ["4"]


@pytest.mark.slow
def test_nothing_is_fetched_and_no_proxy_of_the_environment_is_used(office: Office) -> None:
    """No style sheet, picture, DTD or entity of a page; tests/probes/ hold the same of certificates."""
    assert office.elsewhere.connections == {} and office.proxy.connections == {}
    assert not [n for n in office.found.notices if "refused" in n], "nobody even tried"
    assert audit_hook.tried() == []


# --- speaking is granted port by port


@pytest.mark.slow
def test_ports_that_print_and_the_spooler_get_no_byte(office: Office) -> None:
    for port in (515, 9100, 9103):
        assert office.main.connections[port] == 1, port
        assert office.main.said[port] == b"", port


@pytest.mark.slow
def test_a_raw_channel_that_the_device_names_gets_no_byte_although_its_port_is_assigned_to_something_else(
    office: Office,
) -> None:
    """The agent's prtChannelTable (RFC 3805) names TCP 8080; it is read also where no check reads the table."""
    assert office.main.connections[8080] == 1 and office.main.said[8080] == b""
    for channels, spoken in (((8080,), False), ((), True)):
        device = Device({8080: silent}, agent(*channels))
        asyncio.run(
            asked(
                work(device.address, tcp_ports=(8080,), checks=frozenset({"cleartext-http-management"})),
                device,
            )
        )
        assert (b"GET " in device.said[8080]) is spoken


@pytest.mark.slow
def test_on_any_other_accepting_port_one_connects_listens_and_closes(office: Office) -> None:
    for port in (7, 23):
        assert office.main.connections[port] == 1 and office.main.said[port] == b"", port
    greeting = [f.greeting for f in facts_of(office.found, TcpPort) if f.speaks == "telnet"]
    assert greeting and "login:" in greeting[0]


@pytest.mark.slow
def test_raw_ports_are_not_touched_on_a_fragile_device(office: Office) -> None:
    assert set(office.fragile.connections) == {80}


@pytest.mark.slow
@pytest.mark.parametrize(("status", "touched"), [(3, True), (4, False)])
def test_raw_ports_are_not_touched_while_the_device_says_that_it_prints(
    status: int, touched: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """hrPrinterStatus (RFC 2790): idle(3), printing(4)."""
    of = mib.of

    def busy(*given: Any) -> mib.Table:
        table = of(*given)
        table.put((1, 3, 6, 1, 2, 1, 25, 3, 5, 1, 1, 1), rfc1902.Integer32(status))
        return table

    monkeypatch.setattr(mib, "of", busy)
    device = Device({80: silent, 9100: silent}, agent())
    found = asyncio.run(asked(work(device.address, tcp_ports=(80, 9100)), device))
    assert device.connections[80] and (device.connections[9100] == 1) is touched
    if not touched:
        assert {r.result for r in results(found, "cleartext-print-raw")} == {Word.UNKNOWN}


# --- a device is not a server


@pytest.mark.slow
def test_a_device_has_one_connection_at_a_time_and_a_pause_between(office: Office) -> None:
    spans = sorted(office.main.spans)
    assert len(spans) > 10
    gaps = [begin - end for (_, end), (begin, _) in itertools.pairwise(spans)]
    # The device lives in this same process, which may see an end some moments late.
    assert min(gaps) > -0.02, "two at a time"
    assert statistics.median(gaps) > 0.02, "the pause is 0.03 s"


def test_ceilings_hold_and_what_they_cut_is_unknown_for_that_reason() -> None:
    ports = (21, 22, 23, 80)
    device = Device(dict.fromkeys(ports, silent))
    tight = replace(QUICK, connections=3)
    found = asyncio.run(asked(work(device.address, tcp_ports=ports, udp_ports=(), timing=tight), device))
    assert sum(device.connections.values()) == 3
    cut = results(found, "cleartext-http-management")
    assert cut and {(r.result, r.reason) for r in cut} == {(Word.UNKNOWN, Reason.CEILING)}
    assert not [r for r in found.results if r.result is Word.PASS and r.check.startswith("cleartext-ipp")]


@pytest.mark.slow
def test_the_cost_is_counted_and_printed(office: Office) -> None:
    cost = office.found.head.cost
    devices = (office.main, office.fragile, office.confirmed)
    arrived = sum(sum(d.connections.values()) for d in devices)
    said = sum(len(data) for d in devices for data in d.said.values())
    assert cost.connections >= arrived > 15
    assert cost.datagrams >= sum(len(d.datagrams) for d in devices) > 10
    assert cost.bytes_sent >= said + sum(len(data) for d in devices for data in d.datagrams)
    out = io.StringIO()
    terminal.show(office.found, Console(file=out, width=120), details=True)
    assert f"{cost.connections:,} connections" in " ".join(out.getvalue().split())


def test_the_budget_goes_to_versions_and_certificates_before_suites() -> None:
    order = list(probe_order.PROBES)
    assert order.index(tls_ports.PROBE) < order.index(tls_ports.SUITES)
    assert all(order.index(probe) < order.index(tls_ports.SUITES) for probe in order[:-2])


@pytest.mark.slow
def test_a_device_that_was_asleep_gets_a_second_try() -> None:
    """A full queue drops requests, as a network card that sleeps does; it is emptied before the second try."""
    address = own_address()

    async def run() -> Review:
        with socket.socket() as full, contextlib.ExitStack() as stack:
            full.bind((address, 23 + OFFSET))
            full.listen(0)
            for _ in range(4):
                waiting = stack.enter_context(socket.socket())
                waiting.setblocking(False)
                waiting.connect_ex(full.getsockname())

            async def wake() -> None:
                await asyncio.sleep(0.5)
                full.setblocking(False)
                while True:
                    sock, _ = await asyncio.get_running_loop().sock_accept(full)
                    stack.enter_context(sock)

            waking = asyncio.create_task(wake())
            timing = replace(QUICK, connect=0.1, second_try=1.5)  # a kernel asks again after a second
            found = await asked(work(address, tcp_ports=(23,), udp_ports=(), timing=timing))
            waking.cancel()
            return found

    found = asyncio.run(run())
    assert found.coverage.answered == 1


@pytest.mark.slow
def test_a_device_that_bears_less_than_before_is_asked_slower_and_then_left_alone() -> None:
    """Every port accepts once and never again."""
    address, greetings = own_address(), {21: b"220 ready\r\n", 22: b"SSH-2.0-device\r\n", 80: b"", 8080: b""}

    async def run() -> Review:
        servers: dict[int, asyncio.Server] = {}

        async def once(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            port = writer.get_extra_info("sockname")[1] - OFFSET
            servers[port].close()
            writer.write(greetings[port])

        for port in greetings:
            servers[port] = await asyncio.start_server(once, address, port + OFFSET)
        return await asked(work(address, tcp_ports=tuple(greetings), udp_ports=()))

    found = asyncio.run(run())
    (said,) = [n for n in found.notices if "accepted, and then was refusing" in n]
    assert "waited longer between connections, then left it alone" in said
    cut = results(found, "cleartext-http-management")
    assert cut and {r.result for r in cut} == {Word.UNKNOWN}


# --- no password is guessed


@pytest.mark.slow
def test_published_communities_are_tried_until_one_is_answered_and_one_random_one_after_it(
    office: Office,
) -> None:
    others = [c for c in office.main.communities if c != b"public"]
    random = set(others) - {b"private"}  # the other published default, whether or not the first is answered
    assert len(random) == 1 and re.fullmatch(rb"[0-9a-f]{16}", random.pop())
    deaf = Device({80: silent}, lambda data: None)
    asyncio.run(asked(work(deaf.address, tcp_ports=(80,)), deaf))
    assert set(deaf.communities) == {b"public", b"private"}


def test_no_baseline_tries_more_than_three(tmp_path: Path) -> None:
    file = tmp_path / "more.yaml"
    file.write_text(
        'baseline: "more"\nextends: "office-device"\nsnmp: {default_communities: ["a", "b", "c", "d"]}\n'
    )
    with pytest.raises(Exception, match="at most 3 communities"):
        baseline.load(str(file), CHECKS)


@pytest.mark.slow
def test_ftp_hears_one_random_user_and_the_anonymous_one_with_our_own_address(office: Office) -> None:
    lines = bytes(office.main.said[21]).splitlines()
    users = [line for line in lines if line.startswith(b"USER ")]
    assert len(users) == 2 and b"USER anonymous" in users
    assert [line for line in lines if line.startswith(b"PASS ")] == [b"PASS night.desk@port.example"]


@pytest.mark.slow
def test_ssh_is_never_asked_to_let_us_in(office: Office) -> None:
    """Whoever signs in sends SSH_MSG_NEWKEYS (21) and SSH_MSG_SERVICE_REQUEST (5) first (RFC 4253 sections 7.3, 10)."""
    heard = bytes(office.main.said[22])
    assert heard.startswith(b"SSH-2.0-")
    packets = re.split(rb"SSH-2\.0-[^\n]*\r\n", heard)[1:]
    kinds = [struct.unpack_from(">IBB", packet)[2] for packet in packets if len(packet) > 5]
    assert set(kinds) <= {20}, "SSH_MSG_KEXINIT at most"
    sources = Path(engine.__file__).parents[1].glob("probes/ssh/*.py")
    assert not [p.name for p in sources if re.search(r"ssh-userauth|USERAUTH", p.read_text())]


@pytest.mark.slow
def test_a_wrong_snmpv3_digest_stops_that_user_for_the_whole_fleet(monkeypatch: pytest.MonkeyPatch) -> None:
    """usmStatsWrongDigests (RFC 3414 section 5) of the lab's agent, whose password is another."""
    user = User(name="collector", auth="SHA-256", auth_password=Secret("not-the-password"))
    secrets = Secrets(users=(user,))
    lab = Lab(model="Model")
    known, devices = [], []
    for n in (1, 2):
        listed = Listed(asset_tag=f"T-{n}", addresses=(own_address(),), kind="printer", serial=f"S-{n}")
        host = Host(device=Virtual(listed=listed, lab=lab), port_offset=0, engine_id=ENGINE + bytes([n]))
        serves = Snmp(
            versions=("1", "2c", "3"), communities=("public",),
            users=(mib_user(),),
        )  # fmt: skip
        devices.append(Device({80: silent}, serves.answerer(host), address=listed.addresses[0]))
        known.append(listed)
    plan = work(*(d.address for d in devices), tcp_ports=(80,))
    found = asyncio.run(asked(plan, *devices, inventory=listing(*known), secrets=secrets))
    told = facts_of(found, SnmpUser)
    assert len(told) == 2
    assert sorted("sent" if f.levels else "withheld" for f in told) == ["sent", "withheld"]
    assert next(f.withheld for f in told if f.withheld).endswith("it is not sent to any device again")
    with_digest = [d for d in devices if any(b"collector" in data for data in d.datagrams)]
    assert len(with_digest) == 1


def mib_user() -> Any:
    from hardenprobe.demo_lab.usm import User as LabUser

    return LabUser(name="collector", auth="SHA-256", password="the-real-password")


@pytest.mark.slow
def test_secrets_of_the_fleet_go_to_confirmed_devices_of_the_inventory_only(office: Office) -> None:
    assert FLEET.encode() in office.confirmed.communities, "the serial number was the listed one"
    assert FLEET.encode() not in b"".join(office.main.datagrams), "listed, with another serial number"


# --- secrets


def test_no_option_of_a_scan_takes_a_secret() -> None:
    """They come from a file or the environment: a command line is for everybody on the machine to read."""
    given = {option.name: option for option in scan_command.params}
    words = ("password", "community", "secret", "login", "token")
    found = {name for name, option in given.items() if any(w in " ".join(option.opts) for w in words)}
    assert found == {"secrets_file"}
    assert isinstance(given["secrets_file"].type, click.Path)


@pytest.mark.slow
def test_secrets_and_people_are_masked_when_captured(office: Office, tmp_path: Path) -> None:
    with opening.opened(str(tmp_path / "store.db")) as kept:
        kept.save(office.found)
    places = {file.name: file.read_bytes() for file in tmp_path.iterdir()}
    places["log"] = office.log.encode()
    places["document"] = json.dumps(document.to_document(office.found)).encode()
    for name in ("html", "csv"):
        out = io.BytesIO()
        FORMATS[name](office.found, out)
        places[name] = out.getvalue()
    for place, data in places.items():
        for canary in CANARIES:
            assert canary.encode() not in data, (place, canary)
            assert canary.encode().hex().encode() not in data, (place, canary, "as hex")
    # What is not secret is there, and would have been found in the same way.
    assert b"public".hex().encode() in places["document"] and b"*".hex().encode() * 12 in places["document"]


# --- replies


@pytest.mark.slow
def test_a_redirect_is_read_and_never_followed(office: Office) -> None:
    read = facts_of(office.found, HttpAnswer)
    assert any(office.elsewhere.address in (facts.location or "") for facts in read)
    assert office.elsewhere.connections == {}
    assert not [d for d in office.found.devices if office.elsewhere.address in str(d.addresses)]


@pytest.mark.slow
def test_what_a_device_says_is_bounded_and_inert_wherever_it_is_shown(office: Office) -> None:
    text = json.dumps(document.to_document(office.found))
    assert "document.title" in text, "it was kept"
    page, table, screen = io.BytesIO(), io.BytesIO(), io.StringIO()
    FORMATS["html"](office.found, page)
    FORMATS["csv"](office.found, table)
    terminal.show(office.found, Console(file=screen, force_terminal=False, width=200))
    assert b"<script>document.title" not in page.getvalue()
    assert not re.search(
        rb"onmouseover=document", page.getvalue().replace(b"&#39; onmouseover=document", b"")
    )
    assert not [c for c in re.split(rb'[\r\n]+|,(?=")|^"', table.getvalue()) if re.match(rb'"?[=+@]', c)]
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]", screen.getvalue())
    assert (
        max(len(e.hex) for seen in office.found.observations.values() for o in seen for e in o.transcript)
        <= 2 * KEPT
    )


# --- hardening breaks things


def test_every_remedy_says_what_it_breaks_and_how_to_go_back() -> None:
    for name, check in CHECKS.checks.items():
        for key in ("needs_first", "stops_working", "ask", "undo", "lock_out", "confirm"):
            assert getattr(check.remedy, key).strip(), (name, key)
        assert check.remedy.steps, name


@pytest.mark.slow
def test_every_report_for_people_ends_with_the_caution(office: Office) -> None:
    page, screen = io.BytesIO(), io.StringIO()
    FORMATS["html"](office.found, page)
    terminal.show(office.found, Console(file=screen, width=120), details=True)
    for shown in (page.getvalue().decode(), screen.getvalue()):
        assert " ".join(CAUTION.split()) in " ".join(unescape(shown).split())
    assert "authorised" in CAUTION and "documentation" in CAUTION
