"""A worker: it stands at a vantage point, takes shards from the scheduler, and has them scanned by a process of its own.

The process that scans holds no certificate, and this one never meets a device.
"""

from __future__ import annotations

import ast
import asyncio
import contextlib
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey
from distributed import Worker, get_worker
from distributed.core import Status

from hardenprobe.cluster import connection
from hardenprobe.cluster.certificates import CERTIFICATE, SCAN, SCHEDULER
from hardenprobe.cluster.connection import PARTY, peer_name
from hardenprobe.cluster.scanner import DONE, FORGET, FRAME, JOB, KEY, SHARD
from hardenprobe.errors import HardenprobeError, UsageError, clip

SLOTS = 8
"""Shards that a worker may have at a time; how many devices it visits at once is said by each job."""

START_S = 60.0  # seconds until the process that scans is up
GRACE_S = 5.0  # seconds for it to end


class ScanProcess:
    """The process that scans, with what it is asked and has not answered.

    Raises:
        UsageError: It does not start.
    """

    def __init__(self, scope: Path, key: X25519PrivateKey) -> None:
        command = [sys.executable, "-m", "hardenprobe.cluster.scanner", str(scope)]
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
        )
        self._waiting: dict[int, Future[bytes]] = {0: Future()}
        self._next = 1
        self._turn = threading.Lock()
        up = self._waiting[0]
        threading.Thread(target=self._hear, daemon=True).start()
        try:
            up.result(START_S)
            self.ask(KEY, key.private_bytes_raw())
        except (HardenprobeError, TimeoutError) as exc:
            self.end()
            raise UsageError(f"the process that scans does not start: {clip(str(exc))}") from exc

    @property
    def ended(self) -> bool:
        return self._process.poll() is not None

    def ask(self, kind: int, data: bytes) -> bytes:
        """Ask, and wait for the reply. From any thread.

        Raises:
            HardenprobeError: It could not do it, or it has ended.
        """
        reply: Future[bytes] = Future()
        with self._turn:
            number, self._next = self._next, self._next + 1
            self._waiting[number] = reply
            try:
                assert self._process.stdin is not None
                self._process.stdin.write(FRAME.pack(kind, number, len(data)) + data)
                self._process.stdin.flush()
            except OSError:
                self._waiting.pop(number, None)
                raise HardenprobeError("the process that scans has ended") from None
        return reply.result()

    def end(self) -> None:
        """End it, whatever it does."""
        with contextlib.suppress(OSError):
            assert self._process.stdin is not None
            self._process.stdin.close()
        try:
            self._process.wait(GRACE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def _hear(self) -> None:
        out = self._process.stdout
        assert out is not None
        while len(head := out.read(FRAME.size)) == FRAME.size:
            kind, number, length = FRAME.unpack(head)
            data = out.read(length)
            if len(data) < length:
                break
            if (waiting := self._waiting.pop(number, None)) is not None:
                if kind == DONE:
                    waiting.set_result(data)
                else:
                    waiting.set_exception(HardenprobeError(data.decode(errors="replace")))
        with self._turn:
            for waiting in self._waiting.values():
                waiting.set_exception(HardenprobeError("the process that scans has ended"))
            self._waiting.clear()


class VantageWorker(Worker):
    """Takes shards from the scheduler and from whoever scans, and from nobody else."""

    def __init__(self, scheduler: str, *, vantage: str, scope: Path, **options: Any) -> None:
        self.vantage = vantage
        self._scope = scope
        self._key = X25519PrivateKey.generate()
        self._jobs: dict[str, bytes] = {}
        self.scanner = ScanProcess(scope, self._key)
        super().__init__(
            scheduler,
            name=f"{vantage}-{os.urandom(4).hex()}",
            nthreads=SLOTS,
            resources={f"vantage:{vantage}": SLOTS},
            memory_limit=0,  # nothing that it holds is ever written to a disk
            startup_information={PARTY: _told},
            **options,
        )

    @property
    def public_key(self) -> bytes:
        return self._key.public_key().public_bytes_raw()

    def start_http_server(self, *arguments: Any, **options: Any) -> None:
        """A worker has no page."""

    async def handle_comm(self, comm: Any) -> None:  # type: ignore[override]  # awaited by whoever accepts
        if peer_name(comm) not in (SCHEDULER, SCAN):
            comm.abort()
            return
        await super().handle_comm(comm)

    async def close(self, *arguments: Any, **options: Any) -> Any:
        """Close; nobody is asked any more from that moment, whatever ended it."""
        await asyncio.to_thread(self.scanner.end)
        return await super().close(*arguments, **options)

    def take_job(self, packed: bytes, id: str) -> None:
        """Keep a job for the shards to come."""
        self._jobs[id] = packed
        self._awake().ask(JOB, packed)

    def drop_job(self, id: str) -> None:
        """End what is asked for a job, and forget it."""
        if self._jobs.pop(id, None) is not None:
            self.scanner.ask(FORGET, id.encode())

    def scan(self, id: str, shard: bytes) -> bytes:
        """Scan a shard of a job; as a reply of shard.py."""
        return self._awake().ask(SHARD, id.encode() + shard)

    def _awake(self) -> ScanProcess:
        """The process that scans, a new one where it has ended."""
        if self.scanner.ended:
            self.scanner = ScanProcess(self._scope, self._key)
            for packed in self._jobs.values():
                self.scanner.ask(JOB, packed)
        return self.scanner


def _told(worker: Any) -> dict[str, str]:
    return {
        "version": connection.our_version(),
        "vantage": worker.vantage,
        "key": worker.public_key.hex(),
    }


def scan_shard(id: str, shard: bytes) -> bytes:
    """The task: a shard of a job that the worker knows."""
    worker = get_worker()
    assert isinstance(worker, VantageWorker)
    return worker.scan(id, shard)


async def take_job(packed: bytes, id: str, dask_worker: VantageWorker) -> None:
    """Give a worker a job."""
    await asyncio.to_thread(dask_worker.take_job, packed, id)


async def drop_job(id: str, dask_worker: VantageWorker) -> None:
    """Let a worker forget a job."""
    await asyncio.to_thread(dask_worker.drop_job, id)


def read_clock() -> float:
    """The worker's clock, in seconds since 1970."""
    return time.time()


async def serve(
    scheduler: str, vantage: str, scope: Path, certificates: Path, port: int, ready: Callable[[str], None]
) -> None:
    """Work until the task is cancelled.

    Args:
        port: Where the scheduler reaches it; 0 for any.
        ready: Called with the worker's own address once the scheduler has taken it.

    Raises:
        UsageError: The scheduler cannot be reached, refuses this worker or goes, or a file is wrong.
    """
    keys = connection.security(certificates)
    with tempfile.TemporaryDirectory(prefix="hardenprobe-vantage-") as folder:
        worker = VantageWorker(
            scheduler,
            vantage=vantage,
            scope=scope,
            security=keys,
            protocol="tls",
            host=_facing(scheduler),
            port=port,
            local_directory=folder,
            death_timeout=connection.PATIENCE,
        )
        try:
            try:
                await worker
            except Exception as exc:  # as many kinds as there are reasons
                raise UsageError(
                    f"the scheduler at {scheduler} does not take this worker: {_why(exc, certificates)}"
                ) from exc
            ready(worker.address)
            await worker.finished()
            raise UsageError(
                f"the scheduler at {scheduler} is gone, or has sent this worker away; start it again"
            )
        finally:
            if worker.status not in (Status.closed, Status.closing):
                await worker.close(executor_wait=False)
            worker.scanner.end()


def _facing(scheduler: str) -> str:
    """Our own address on the way to the scheduler: the only one that we listen at."""
    host, _, port = scheduler.removeprefix("tls://").rpartition(":")
    try:
        family, kind, *_, there = socket.getaddrinfo(host.strip("[]"), int(port), type=socket.SOCK_DGRAM)[0]
        with socket.socket(family, kind) as sock:
            sock.connect(there)  # which sends nothing
            return str(sock.getsockname()[0])
    except OSError as exc:
        raise UsageError(f"there is no way to the scheduler at {scheduler}: {exc.strerror}") from exc


def _why(exc: BaseException, certificates: Path) -> str:
    """The reason that a scheduler gave, or what is likely where it gave none."""
    cause: BaseException | None = exc
    while cause is not None:
        _, found, told = str(cause).partition("Unexpected response from register: ")
        if found:
            return str(ast.literal_eval(told).get("message"))
        cause = cause.__cause__ or cause.__context__
    return (
        "it does not answer; see that `hardenprobe vantage scheduler` runs there, and that its certificate and "
        f"{certificates / CERTIFICATE} are of one authority"
    )
