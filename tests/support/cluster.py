"""A cluster of real processes on loopback: a scheduler and workers, as the command line starts them."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from hardenprobe.cluster import certificates

SCOPE = """\
scope: "hardenprobe.scope/1"
name: "lab"
authorised_by: "whoever started the lab"
networks: ["127.0.0.0/8"]
"""


@dataclass
class Cluster:
    """A scheduler and its workers.

    Attributes:
        folder: With a folder of certificates for each party, and `scope.yaml`.
        workers: Each with the name of its vantage point, in the order in which they were started.
    """

    folder: Path
    address: str
    scheduler: subprocess.Popen[str]
    workers: list[tuple[str, subprocess.Popen[str]]] = field(default_factory=list)

    def start(self, names: Sequence[str], scope: Path | None = None) -> None:
        """Start workers side by side and wait until all are ready."""
        self._ready([(name, self._worker(name, scope or self.folder / "scope.yaml")) for name in names])

    def start_each(self, prefixes: Mapping[str, Sequence[str]], scope: Path) -> None:
        """Start a worker for each vantage point by a command of its own, such as one that enters a namespace."""
        self._ready([(name, self._worker(name, scope, prefix)) for name, prefix in prefixes.items()])

    def _ready(self, begun: Sequence[tuple[str, subprocess.Popen[str]]]) -> None:
        self.workers += begun
        for _, worker in begun:
            assert worker.stdout is not None
            assert "is ready" in (line := worker.stdout.readline()), line + worker.stdout.read()

    def _worker(self, name: str, scope: Path, prefix: Sequence[str] = ()) -> subprocess.Popen[str]:
        options = ["--name", name, "--scheduler", self.address, "--scope", str(scope)]
        return begin([*prefix, *command("start"), *options, "--certificates", str(self.folder / name)])

    def end(self) -> None:
        """End all processes."""
        ended = [process for _, process in self.workers] + [self.scheduler]
        for process in ended:
            with contextlib.suppress(ProcessLookupError):
                process.send_signal(signal.SIGCONT)
                process.terminate()
        for process in ended:
            try:
                process.wait(15)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            assert process.stdout is not None
            process.stdout.close()

    def scanner(self, number: int) -> int:
        """The process id of a worker's process that scans."""
        task = self.workers[number][1].pid
        (child,) = Path(f"/proc/{task}/task/{task}/children").read_text().split() or [""]
        return int(child)


def command(*words: str) -> list[str]:
    return [sys.executable, "-u", "-m", "hardenprobe", "vantage", *words]


def begin(command: Sequence[str]) -> subprocess.Popen[str]:
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


@contextlib.contextmanager
def cluster(folder: Path, names: Sequence[str], host: str = "127.0.0.1") -> Iterator[Cluster]:
    """Run a scheduler and a worker for each name until the block ends."""
    certificates.make(folder, dict.fromkeys(["scheduler", "scan", *names]), days=1)
    (folder / "scope.yaml").write_text(SCOPE)
    address = f"tls://{host}:{free_port()}"
    scheduler = begin(
        [*command("scheduler"), "--listen", address, "--certificates", str(folder / "scheduler")]
    )
    running = Cluster(folder, address, scheduler)
    try:
        assert scheduler.stdout is not None
        assert "listens" in (line := scheduler.stdout.readline()), line + scheduler.stdout.read()
        running.start(names)
        yield running
    finally:
        running.end()


def run(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the command line."""
    return subprocess.run(
        [sys.executable, "-m", "hardenprobe", *words],
        capture_output=True, text=True, timeout=120, check=False, env={**os.environ, "COLUMNS": "200", **environment},
    )  # fmt: skip
