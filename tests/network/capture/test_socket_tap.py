"""What a capture is told of sockets, and a sweep that is captured on loopback."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from pathlib import Path
from types import SimpleNamespace

import pytest
from support.offset import OFFSET

from hardenprobe.errors import UsageError
from hardenprobe.model import State
from hardenprobe.network import audit_hook
from hardenprobe.network.capture import capture, flows, frames, packet_socket
from hardenprobe.network.capture.pcap_file import LINK_HEADER
from hardenprobe.network.capture.socket_tap import SweepTap, ranges
from hardenprobe.network.rate_limit import Rate
from hardenprobe.probes import packets
from hardenprobe.scanning.sweep import SNMP, Pace, Touch, sweep
from hardenprobe.scope.scope import Scope

NET = f"127.{64 + os.getpid() // 256 % 30}.{os.getpid() % 256}"


def test_runs_are_the_shortest_way_to_write_numbers() -> None:
    assert ranges([]) == ()
    assert ranges([9, 2, 3, 4, 3, 7, 8]) == ((2, 4), (7, 9))


@pytest.mark.parametrize("bound", [False, True])
def test_every_packet_of_a_sweep_is_captured_and_nobody_else_s(tmp_path: Path, bound: bool) -> None:
    source = f"{NET}.77" if bound else None
    try:
        packet_socket.opened([]).close()
    except UsageError as exc:
        pytest.skip(str(exc))
    file, other = tmp_path / "sweep.pcap", socket.socket(type=socket.SOCK_DGRAM)
    addresses = [f"{NET}.{n}" for n in range(1, 40)]

    async def run(running: capture.Capture) -> tuple[list[Touch], SweepTap]:
        told = SweepTap(running)
        pace = Pace(wait=0.4, rate=Rate(None))
        touched = []
        async for touch in sweep(
            addresses,
            Scope.loopback(),
            ports=(443, 80),
            source=source,
            port_offset=OFFSET,
            pace=pace,
            tap=told,
        ):
            with contextlib.suppress(ConnectionRefusedError):
                other.send(b"somebody else's")
            touched.append(touch)
        await running.caught_up()
        return touched, told

    with (
        other,
        socket.socket() as accepting,
        socket.socket() as full,
        capture.opened(file, [f"{NET}.0/24"]) as running,
    ):
        for sock, place in ((accepting, (f"{NET}.1", 443 + OFFSET)), (full, (f"{NET}.2", 443 + OFFSET))):
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            sock.bind(place)
            sock.listen(0 if sock is full else 9)
        other.connect((f"{NET}.3", 80 + OFFSET))
        fillers = [socket.socket() for _ in range(4)]  # a full queue drops requests on Linux
        for one in fillers:
            one.setblocking(False)
            one.connect_ex(full.getsockname())
        with audit_hook.watching():
            touched, told = asyncio.run(run(running))
        said = running.finish()
        assert told._flows == {} and audit_hook.refused() == 0
        others = {sock.getsockname()[1] for sock in (other, *fillers)}
        for one in fillers:
            one.close()

    states = {t.address.rpartition(".")[2]: t for t in touched}
    assert (states["1"].state, states["3"].state) == (State.ACCEPTING, State.REFUSING)
    silent = states["2"]
    assert silent.datagrams and silent.transport == "udp", "its SNMP port says that nobody is there"
    seen = _read(file)
    assert len(seen) == said.packets and not said.lost
    assert not others & {port for f, _ in seen for port in (f.source_port, f.target_port)}
    syns = [f for f, _ in seen if f.protocol == frames.TCP and f.flags & 0x12 == frames.SYN]
    assert len({(f.target, f.source_port) for f in syns}) == sum(len(t.tried) for t in touched)
    asked = [p for f, p in seen if f.protocol == frames.UDP and f.target_port == SNMP + OFFSET]
    assert len(asked) == sum(t.datagrams for t in touched) and set(b"".join(asked)) == {ord("*")}
    told_of = [f.quoted for f, _ in seen if f.quoted]
    assert told_of and all(q.target_port == SNMP + OFFSET for q in told_of)
    if source:
        assert {f.source for f in syns} == {socket.inet_aton(source)}


def _read(file: Path) -> list[tuple[frames.Frame, bytes]]:
    packets._layers()
    utils = pytest.importorskip("scapy.utils")
    found = []
    with utils.RawPcapReader(str(file)) as reader:
        for data, _ in reader:
            frame = frames.read(data[LINK_HEADER:])
            assert frame is not None
            found.append((frame, data[LINK_HEADER + frame.payload :]))
    return found


@pytest.mark.slow
def test_a_sweep_holds_only_what_may_still_come(monkeypatch: pytest.MonkeyPatch) -> None:
    known, now = flows.Flows(), 0.0
    monkeypatch.setattr(flows, "time", SimpleNamespace(time=lambda: now))
    told = SweepTap(SimpleNamespace(flows=known))  # type: ignore[arg-type]
    most = 0
    for n in range(30_000):
        now = n / 1000
        address = f"127.{n >> 16}.{n >> 8 & 255}.{n & 255}"
        told.begin("tcp", (address, 443), ("0.0.0.0", n + 1))
        told.closed(address, "tcp")
        most = max(most, len(known._by_key))
    assert told._flows == {} and most <= 1000 * flows.FORGET + 2
