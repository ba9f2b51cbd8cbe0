"""The command line run in this process, and small real devices that live in a thread of their own."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import os
import re
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from support.offset import OFFSET

from hardenprobe import cli

_number = itertools.count(1)


@dataclass
class Ended:
    """How a command ended, and what it said."""

    status: int
    out: str
    err: str


@dataclass
class Device:
    """Greetings on logical ports of one loopback address that nobody else uses; they may change."""

    greetings: dict[int, bytes]
    baseline: Path
    address: str = field(
        default_factory=lambda: f"127.{20 + os.getpid() // 256 % 100}.{os.getpid() % 256}.{next(_number)}"
    )
    connections: Counter[int] = field(default_factory=Counter)
    received: bytearray = field(default_factory=bytearray)

    @property
    def arguments(self) -> list[str]:
        """What `scan` needs to look at this device and nothing else."""
        ports = ",".join(map(str, self.greetings or {23: b""}))
        offset = ["--port-offset", str(OFFSET), "--ports", ports]
        return [self.address, *offset, "--baseline", str(self.baseline), "--no-plugins"]


@pytest.fixture
def command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Callable[..., Ended]:
    """Run the command line; whatever is raised past it fails the test."""
    monkeypatch.setenv("COLUMNS", "120")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))

    def run(*arguments: object) -> Ended:
        capsys.readouterr()
        status = cli.run([str(a) for a in arguments])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return Ended(status, out, err)

    return run


@pytest.fixture
def store(tmp_path: Path) -> list[str]:
    """The option that keeps a command away from the user's own store."""
    return ["--store", str(tmp_path / "store.db")]


@pytest.fixture
def quick_baseline(tmp_path: Path) -> Path:
    """The shipped baseline with short waits and no datagrams: on loopback nothing takes long."""
    text = (Path(__file__).parents[2] / "baselines" / "office-device.yaml").read_text(encoding="utf-8")
    text, waits = re.subn(r"(?m)^(  (?:connect|greeting|reply)): [\d.]+$", r"\1: 0.2", text)
    text, ports = re.subn(r"(?m)^  udp: \[[^\]]*\]", "  udp: []", text)
    assert (waits, ports) == (3, 1)
    file = tmp_path / "quick.yaml"
    file.write_text(text, encoding="utf-8")
    return file


@pytest.fixture
def device(quick_baseline: Path) -> Iterator[Callable[[dict[int, bytes]], Device]]:
    """Make devices; they are gone when the test ends."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    servers: list[asyncio.Server] = []

    async def serve(one: Device) -> None:
        for port in one.greetings:

            async def handler(
                reader: asyncio.StreamReader,
                writer: asyncio.StreamWriter,
                port: int = port,
            ) -> None:
                one.connections[port] += 1
                with contextlib.suppress(ConnectionError):
                    writer.write(one.greetings[port])
                    while data := await reader.read(1000):
                        one.received.extend(data)
                writer.transport.abort()

            servers.append(await asyncio.start_server(handler, one.address, port + OFFSET))

    def make(greetings: dict[int, bytes]) -> Device:
        one = Device(greetings, quick_baseline)
        asyncio.run_coroutine_threadsafe(serve(one), loop).result(5)
        return one

    async def finish() -> None:
        for server in servers:
            server.close()
        others = asyncio.all_tasks() - {asyncio.current_task()}
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)

    yield make
    asyncio.run_coroutine_threadsafe(finish(), loop).result(5)
    loop.call_soon_threadsafe(loop.stop)
    thread.join(5)
    loop.close()
