"""Scans that are killed go on, ask no finished device again, and end with the review that an undisturbed one gives."""

from __future__ import annotations

import asyncio
import contextlib
import json
import multiprocessing
import os
import random
import re
import signal
import threading
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from hardenprobe import cli, packet_socket, store
from hardenprobe.errors import UsageError
from hardenprobe.journal import Journal
from hardenprobe.probes import packets

OFFSET = 20000
NET = f"127.{64 + os.getpid() // 256 % 30}.{os.getpid() % 256}"
SCANS = 20
PORTS = (
    7,
    13,
    21,
    22,
    23,
    79,
    512,
)  # device n greets on the first n of them, so that devices end at different times

pytestmark = pytest.mark.slow


@dataclass
class Fleet:
    """Devices on loopback that greet, and count who connects to which of them."""

    connections: Counter[tuple[str, str]] = field(default_factory=Counter)  # (source, device)

    def of(self, source: str) -> int:
        """Connections from one source."""
        return sum(self.connections[source, device] for device in self.addresses)

    @property
    def addresses(self) -> list[str]:
        return [f"{NET}.{n}" for n in range(1, len(PORTS) + 1)]


@pytest.fixture
def fleet() -> Iterator[Fleet]:
    made = Fleet()
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()

    async def greet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        source, device = writer.get_extra_info("peername")[0], writer.get_extra_info("sockname")[0]
        made.connections[source, device] += 1
        with contextlib.suppress(ConnectionError):
            writer.write(b"hello\r\n")
            await reader.read(1)
        writer.transport.abort()

    async def start() -> list[asyncio.Server]:
        return [
            await asyncio.start_server(greet, address, port + OFFSET)
            for n, address in enumerate(made.addresses, 1)
            for port in PORTS[:n]
        ]

    servers = asyncio.run_coroutine_threadsafe(start(), loop).result(5)
    yield made

    async def stop() -> None:
        for server in servers:
            server.close()
        others = asyncio.all_tasks() - {asyncio.current_task()}
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)

    asyncio.run_coroutine_threadsafe(stop(), loop).result(5)
    loop.call_soon_threadsafe(loop.stop)
    thread.join(5)
    loop.close()


@pytest.fixture
def quick_baseline(tmp_path: Path) -> Path:
    text = (Path(__file__).parents[1] / "baselines" / "office-device.yaml").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^(  (?:connect|greeting|reply)): [\d.]+$", r"\1: 3.0", text)
    text = re.sub(r"(?m)^  udp: \[[^\]]*\]", "  udp: []", text)
    file = tmp_path / "quick.yaml"
    file.write_text(text, encoding="utf-8")
    return file


def command_line(arguments: list[str], output: str) -> None:
    """Run the command line in a process of its own."""
    with (
        open(output, "a", encoding="utf-8") as out,
        contextlib.redirect_stderr(out),
        contextlib.redirect_stdout(out),
    ):
        os._exit(cli.run(arguments))


@dataclass(frozen=True, order=True)
class Run:
    """One scan with a store of its own, from a source address of its own."""

    number: int
    folder: Path

    @property
    def source(self) -> str:
        return f"{NET}.{100 + self.number}"

    @property
    def store(self) -> Path:
        return self.folder / f"store-{self.number}.db"

    def start(self, process: Any, *arguments: str) -> Any:
        given = [
            "scan",
            *arguments,
            "--store",
            str(self.store),
            "--json",
            str(self.folder / f"{self.number}.json"),
        ]
        started = process.Process(target=command_line, args=(given, str(self.said)))
        started.start()
        return started

    @property
    def said(self) -> Path:
        return self.folder / f"{self.number}.txt"

    @property
    def review(self) -> dict[str, Any]:
        return json.loads((self.folder / f"{self.number}.json").read_text(encoding="utf-8"))


def essence(review: dict[str, Any]) -> dict[str, Any]:
    """What two scans of the same devices must agree on: all but ids, times, costs and our own address."""
    said = {
        (r["finding"], r["result"], r["reason"], r["observed"]["text"], r["score"], r["remedy"])
        for r in review["results"]
    }
    seen = Counter(
        (o["device"], o["kind"], json.dumps([o["endpoint"], o["facts"]], sort_keys=True))
        for o in review["observations"]
        if not o["facts"].get("control")  # the port on which nothing should accept is drawn anew
    )
    return {
        "results": said,
        "observations": seen,
        "devices": [(d["id"], d["addresses"], d["services"]) for d in review["devices"]],
        "coverage": review["coverage"],
        "what_first": [(a["remedy"]["id"], a["findings"]) for a in review["what_first"]],
        "notices": review["notices"],
        "interrupted": review["review"]["interrupted"],
    }


@pytest.fixture
def process() -> Any:
    """Processes that have the imports behind them."""
    made = multiprocessing.get_context("forkserver")
    made.set_forkserver_preload(["hardenprobe.cli.scan", "hardenprobe.request", "hardenprobe.cli.running"])
    return made


@pytest.fixture
def asked(fleet: Fleet, quick_baseline: Path) -> list[str]:
    """Every device by itself, and a range of nobody."""
    ports = ",".join(map(str, PORTS))
    given = [*fleet.addresses, f"{NET}.200-{NET}.230", "--port-offset", str(OFFSET), "--no-plugins"]
    return [*given, "--ports", ports, "--baseline", str(quick_baseline), "--vantage", "here"]


def test_scan_interrupted_once_stores_what_it_has_and_goes_on(
    fleet: Fleet, tmp_path: Path, process: Any, asked: list[str]
) -> None:
    run = Run(0, tmp_path)
    scan = run.start(process, *asked, "--source", run.source)
    while not fleet.connections[run.source, fleet.addresses[-1]]:
        assert scan.is_alive()
        time.sleep(0.01)
    os.kill(scan.pid, signal.SIGINT)
    scan.join(60)
    assert scan.exitcode == 3
    said = run.said.read_text(encoding="utf-8")
    assert "is stored" in said and re.search(r"`hardenprobe scan --resume \S+` goes on", said), said
    partial = run.review
    assert partial["review"]["interrupted"]
    going_on = run.start(process, "--resume", "latest")
    going_on.join(60)
    whole = run.review
    assert not whole["review"]["interrupted"]
    assert whole["review"]["resumed_from"] == partial["review"]["id"] != whole["review"]["id"]
    assert whole["coverage"]["answered"] == len(PORTS)
    with store.opened(str(run.store)) as kept:
        assert [one.id for one in kept.reviews()] == [whole["review"]["id"], partial["review"]["id"]]
        assert all(one.intact for one in kept.reviews())


def test_scan_killed_while_it_captures_goes_on_in_the_same_file(
    fleet: Fleet, tmp_path: Path, process: Any, asked: list[str]
) -> None:
    try:
        packet_socket.opened([]).close()
    except UsageError as exc:
        pytest.skip(str(exc))
    run, file = Run(0, tmp_path), tmp_path / "scan.pcap"
    scan = run.start(process, *asked, "--source", run.source, "--capture", str(file))
    while not _kept(run):
        assert scan.is_alive()
        time.sleep(0.02)
    os.kill(scan.pid, signal.SIGKILL)
    scan.join(10)
    file.rename(tmp_path / "kept.pcap")
    refused = run.start(process, "--resume", "latest")
    refused.join(60)
    assert refused.exitcode == 2
    assert f"--capture {file} is gone, and the scan goes on in it" in run.said.read_text(encoding="utf-8")
    assert not file.exists()
    before, connections = (tmp_path / "kept.pcap").read_bytes(), fleet.of(run.source)
    file.write_bytes(before)
    going_on = run.start(process, "--resume", "latest")
    going_on.join(60)
    assert going_on.exitcode == 1, run.said.read_text(encoding="utf-8")
    review = run.review
    kept = review["review"]["capture"]
    assert f"{kept['packets']} packets are in {file}" in run.said.read_text(encoding="utf-8")
    packets._layers()
    utils = pytest.importorskip("scapy.utils")
    with utils.PcapReader(str(file)) as reader:
        read = list(reader)
    assert len(read) == kept["packets"]
    for seen in review["observations"]:
        where = seen["endpoint"]
        for number in (n for first, last in seen["packets"] for n in range(first, last + 1)):
            packet = read[number - 1]
            assert {packet["IP"].src, packet["IP"].dst} == {where["address"], run.source}
            assert where["port"] + OFFSET in (packet["TCP"].sport, packet["TCP"].dport)
    accepting = {
        (o["endpoint"]["address"], o["endpoint"]["port"]) for o in review["observations"] if o["packets"]
    }
    assert {address for address, _ in accepting} == set(fleet.addresses)
    syns = {
        (p["TCP"].sport, p["IP"].dst)
        for p in read
        if p["TCP"].flags == "S" and p["IP"].dst in fleet.addresses and p["TCP"].dport - OFFSET in PORTS
    }
    assert 0 < connections < fleet.of(run.source) <= len(syns) + 20, "a kill costs what was not read yet"


@pytest.mark.timeout(170)
def test_scan_killed_at_twenty_random_moments_goes_on_and_ends_the_same(
    fleet: Fleet, tmp_path: Path, process: Any, asked: list[str]
) -> None:
    runs = [Run(number, tmp_path) for number in range(SCANS + 1)]
    undisturbed = runs.pop()
    undisturbed.start(process, *asked, "--source", undisturbed.source).join(60)
    expected = essence(undisturbed.review)
    assert expected["results"] and expected["coverage"]["answered"] == len(PORTS)
    connections = fleet.of(undisturbed.source)

    chance = random.Random()
    interrupted = 0
    for batch in (runs[:10], runs[10:]):
        started = {run: run.start(process, *asked, "--source", run.source) for run in batch}
        # A moment is a number of connections, so that moments are spread over a scan however busy the machine is.
        moments = {run: chance.randrange(connections) for run in started}
        while moments:
            time.sleep(0.005)
            for run, moment in list(moments.items()):
                if not started[run].is_alive() or fleet.of(run.source) > moment:
                    del moments[run]
                    with contextlib.suppress(ProcessLookupError):  # it was done already
                        os.kill(started[run].pid, signal.SIGKILL)
                    started[run].join(10)
        going_on = []
        for run in started:
            finished = _finished(run)
            before = {device: fleet.connections[run.source, device] for device in fleet.addresses}
            if finished is not None:
                interrupted += 1
                going_on.append((run, run.start(process, "--resume", "latest"), finished, before))
            elif not _stored(run):  # killed before it wrote anything down
                going_on.append((run, run.start(process, *asked, "--source", run.source), set(), before))
        for run, one, finished, before in going_on:
            one.join(60)
            assert one.exitcode == 1, run.said.read_text(encoding="utf-8")
            assert essence(run.review) == expected
            for device in finished:
                assert fleet.connections[run.source, device] == before[device], (
                    "a finished device was asked again"
                )
            with store.opened(str(run.store)) as kept:
                assert not Journal(kept).unfinished()
                assert len(kept.reviews()) == 1
    assert interrupted > SCANS // 2


def _finished(run: Run) -> set[str] | None:
    """The devices that a killed scan has kept; None where it left nothing to go on with."""
    if not run.store.exists():
        return None
    with store.opened(str(run.store)) as kept:
        journal = Journal(kept)
        if not journal.unfinished():
            return None
        return {visit.address for visit in journal.take_up("latest").visits}


def _kept(run: Run) -> int:
    """How many devices a running scan has kept."""
    if not run.store.exists():
        return 0
    with store.opened(str(run.store)) as kept:
        return sum(one.devices for one in Journal(kept).unfinished())


def _stored(run: Run) -> bool:
    if not run.store.exists():
        return False
    with store.opened(str(run.store)) as kept:
        return bool(kept.reviews())
