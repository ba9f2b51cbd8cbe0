"""A fleet that greets, scans of it in processes of their own, and what two reviews of it must agree on."""

from __future__ import annotations

import asyncio
import contextlib
import json
import multiprocessing
import os
import re
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from support.offset import OFFSET

from hardenprobe import cli

NET = f"127.{64 + os.getpid() // 256 % 30}.{os.getpid() % 256}"
PORTS = (
    7,
    13,
    21,
    22,
    23,
    79,
    512,
)  # device n greets on the first n of them, so that devices end at different times


@dataclass
class Fleet:
    """Devices on loopback that greet, and count who connects to which of them."""

    connections: Counter[tuple[str, str]] = field(default_factory=Counter)  # (source, device)
    last_takes: float = 0.0  # seconds before the last device greets

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
        try:
            if device == made.addresses[-1]:
                await asyncio.sleep(made.last_takes)
            writer.write(b"hello\r\n")
            await reader.read(1)
        except ConnectionError:
            pass
        finally:
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
    text = (Path(__file__).parents[2] / "baselines" / "office-device.yaml").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^(  (?:connect|greeting|reply)): [\d.]+$", r"\1: 3.0", text)
    text = re.sub(r"(?m)^  udp: \[[^\]]*\]", "  udp: []", text)
    file = tmp_path / "quick.yaml"
    file.write_text(text, encoding="utf-8")
    return file


def command_line(arguments: list[str], output: str, later: str | None, days: int = 0) -> None:
    """Run the command line in a process of its own.

    Args:
        later: A file; once it is there, the clock that scopes go by is two hours ahead.
        days: How far ahead the clock is that dates what is seen.
    """
    now = datetime.now

    class Dated(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
            return now(tz) + timedelta(days=days)

    class Clock(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
            ahead = timedelta(hours=2 if later and os.path.exists(later) else 0)
            return datetime.now(tz) + ahead

    with (
        mock.patch("hardenprobe.scope.scope.datetime", Clock),
        mock.patch("hardenprobe.model.transcript.datetime", Dated),
        open(output, "a", encoding="utf-8") as out,
        contextlib.redirect_stderr(out),
        contextlib.redirect_stdout(out),
    ):
        os._exit(cli.run(arguments))


@dataclass(frozen=True, order=True)
class Run:
    """One scan from a source address of its own, into a store of its own or that of another number."""

    number: int
    folder: Path
    kept_in: int | None = None

    @property
    def source(self) -> str:
        return f"{NET}.{100 + self.number}"

    @property
    def store(self) -> Path:
        return self.folder / f"store-{self.number if self.kept_in is None else self.kept_in}.db"

    def start(self, process: Any, *arguments: str, later: Path | None = None, days: int = 0) -> Any:
        given = [
            "scan",
            *arguments,
            "--store",
            str(self.store),
            "--json",
            str(self.folder / f"{self.number}.json"),
        ]
        started = process.Process(
            target=command_line, args=(given, str(self.said), str(later) if later else None, days)
        )
        started.start()
        return started

    @property
    def said(self) -> Path:
        return self.folder / f"{self.number}.txt"

    @property
    def review(self) -> dict[str, Any]:
        return json.loads((self.folder / f"{self.number}.json").read_text(encoding="utf-8"))


def _without_ours(observation: dict[str, Any]) -> dict[str, Any]:
    """The facts, without the address of ours that asked, and how often: a busy machine asks again."""
    facts = {name: value for name, value in observation["facts"].items() if name != "tries"}
    if observation["kind"] == "address-asked":
        del facts["source"]
    return facts


def _essence(review: dict[str, Any]) -> dict[str, Any]:
    """What two scans of the same devices must agree on: all but ids, times, costs and our own address.

    Results come in the same order. Ports that are waited for side by side are not observed in the same order.
    """
    said = [
        (r["finding"], r["result"], r["reason"], r["observed"]["text"], r["score"], r["remedy"])
        for r in review["results"]
    ]
    seen = Counter(
        (o["device"], o["kind"], json.dumps([o["endpoint"], _without_ours(o)], sort_keys=True))
        for o in review["observations"]
        if not o["facts"].get("control")  # the port on which nothing should accept is drawn anew
    )
    return {
        "results": said,
        "observations": seen,
        "devices": [(d["id"], d["addresses"], d["services"]) for d in review["devices"]],
        "coverage": review["coverage"],
        "what_first": [(a["remedy"]["id"], a["findings"]) for a in review["what_first"]],
        "notices": [n for n in review["notices"] if "resumed on" not in n and "asked again" not in n],
        "interrupted": review["review"]["interrupted"],
    }


@pytest.fixture
def essence() -> Callable[[dict[str, Any]], dict[str, Any]]:
    return _essence


@pytest.fixture
def new_run(tmp_path: Path) -> Callable[..., Run]:
    """Scans by number, each from a source address of its own."""
    return lambda number, kept_in=None: Run(number, tmp_path, kept_in)


@pytest.fixture
def process() -> Any:
    """Processes that have the imports behind them."""
    made = multiprocessing.get_context("forkserver")
    made.set_forkserver_preload(
        ["hardenprobe.cli.scan", "hardenprobe.scanning.request", "hardenprobe.cli.running"]
    )
    return made


@pytest.fixture
def asked(fleet: Fleet, quick_baseline: Path) -> list[str]:
    """Every device by itself, and a range of nobody."""
    ports = ",".join(map(str, PORTS))
    given = [*fleet.addresses, f"{NET}.200-{NET}.230", "--port-offset", str(OFFSET), "--no-plugins"]
    return [*given, "--ports", ports, "--baseline", str(quick_baseline), "--vantage", "here"]
