"""The process of a worker that scans. It meets hostile bytes, so it holds no certificate and speaks to its worker alone.

Standard input brings jobs and shards, standard output takes replies; when its worker goes, it goes too.

    python -m hardenprobe.cluster.scanner SCOPE-FILE
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import struct
import sys
from dataclasses import dataclass, field, replace
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey

from hardenprobe.cluster.sealing import unseal
from hardenprobe.cluster.shard import ID_BYTES, ClusterJob, Shard, ShardReply, unpacked
from hardenprobe.devices.credentials import Secrets
from hardenprobe.errors import HardenprobeError, ScopeRefused
from hardenprobe.model.visit import BLOCK, OUTCOMES, Visit
from hardenprobe.network import audit_hook
from hardenprobe.network.rate_limit import Rate
from hardenprobe.planning.local_links import ends
from hardenprobe.planning.vantage import chosen_source
from hardenprobe.scanning.engine import Scan, Share
from hardenprobe.scope import scope_file
from hardenprobe.scope.scope import Scope

FRAME = struct.Struct("!BIQ")  # kind, number of the question, bytes that follow
KEY, JOB, SHARD, FORGET, DONE, FAILED = range(6)


@dataclass(kw_only=True)
class RunningJob:
    """A job, with what its shards share."""

    job: ClusterJob
    scope: Scope
    rate: Rate = field(init=False)
    places: asyncio.Semaphore = field(init=False)
    secrets: Secrets | None = None
    rates: dict[str, Rate] = field(default_factory=dict)
    scans: set[Scan] = field(default_factory=set)

    def __post_init__(self) -> None:
        portion = self.job.portion
        # Ours may be narrower, and the links are this machine's.
        plan = replace(self.job.plan, scope=self.job.plan.scope.within(self.scope), nobodys=ends())
        self.job = replace(self.job, plan=plan)
        self.rate = Rate(min(portion.connections_per_second, plan.timing.connections_per_second))
        self.places = asyncio.Semaphore(min(portion.devices_at_once, plan.timing.devices_at_once))
        self.rates = {name: Rate(rate, within=self.rate) for name, rate in portion.segments.items()}
        self.anchors = self.job.trust_anchors

    async def scan(self, shard: Shard, key: X25519PrivateKey) -> ShardReply:
        """Scan a shard, as far as our own scope allows it too."""
        job, plan = self.job, self.job.plan
        try:
            plan.scope.check_now()
            plan.scope.check_reach(plan.reach)
        except ScopeRefused as exc:
            return ShardReply(stopped=str(exc))
        refused = {address: why for address in shard.addresses if (why := self._refusal(address))}
        if shard.sealed:
            told = unseal(bytes.fromhex(shard.sealed), key, job.id)
            self.secrets = self.secrets or told
            self.secrets.stopped.update(told.stopped)
        swept = [(at, address) for at, address in enumerate(shard.swept) if address not in refused]
        running = Scan(
            plan=plan,
            inventory=job.inventory,
            wanted=job.wanted,
            anchors=self.anchors,
            secrets=(self.secrets or Secrets()) if shard.sealed else Secrets(),
            share=Share(
                expected=tuple(address for address in shard.expected if address not in refused),
                swept=tuple(address for _, address in swept),
                others={other: at for other, at in shard.others.items() if other not in refused},
                spent=shard.spent,
            ),
            rate=self.rates.get(shard.segment or "", self.rate),
            places=self.places,
        )
        over = asyncio.get_running_loop().call_later(shard.begin_within, running.stop, "")
        self.scans.add(running)
        visits: list[Visit] = []
        try:
            async for visit in running.visits():
                visits.append(visit)
        finally:
            over.cancel()
            self.scans.discard(running)
        (vantage,) = plan.vantages
        words = {byte[0]: word for word, byte in OUTCOMES.items()}
        blocks = running.quiet.blocks
        quiet = {}
        for here, (position, _) in enumerate(swept):
            block, at = divmod(here, BLOCK)
            if outcome := blocks.get((vantage.name, block), bytes(BLOCK))[at]:
                quiet[position] = words[outcome]
        return ShardReply(
            visits=tuple(visits),
            quiet=quiet,
            refused=refused,
            sweep=running.cost,
            stopped=running.why_interrupted or None,
            users=dict(self.secrets.stopped) if self.secrets else {},
            notices=tuple(audit_hook.tried()),
        )

    def _refusal(self, address: str) -> str | None:
        plan = self.job.plan
        try:
            plan.scope.check_address(address)
            if plan.scope.sources is not None:
                plan.scope.check_source(chosen_source(address) or "that the system would choose")
        except ScopeRefused as exc:
            return str(exc)
        if address in plan.nobodys:
            return f"{address} is the network or broadcast address of a link of this machine, and no device"
        return None


class Scanner:
    """Answers what its worker asks."""

    def __init__(self, scope: Scope, out: int) -> None:
        self._scope = scope
        self._out = out
        self._key: X25519PrivateKey | None = None
        self._jobs: dict[str, RunningJob] = {}
        self._tasks: set[asyncio.Task[None]] = set()

    async def serve(self, reader: asyncio.StreamReader) -> None:
        """Answer until standard input ends."""
        while True:
            try:
                kind, number, length = FRAME.unpack(await reader.readexactly(FRAME.size))
                data = await reader.readexactly(length)
            except asyncio.IncompleteReadError:
                os._exit(0)  # whoever is asked just now is left alone with it
            task = asyncio.create_task(self._answer(kind, number, data))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _answer(self, kind: int, number: int, data: bytes) -> None:
        try:
            reply = await self._done(kind, data)
        except HardenprobeError as exc:
            self._say(FAILED, number, str(exc).encode())
        except Exception as exc:  # noqa: BLE001 - a bug costs one shard, and not the worker
            self._say(FAILED, number, f"{type(exc).__name__}: {exc}".encode())
        else:
            self._say(DONE, number, reply)

    async def _done(self, kind: int, data: bytes) -> bytes:
        if kind == KEY:
            self._key = X25519PrivateKey.from_private_bytes(data)
        elif kind == JOB:
            job = unpacked(data)
            self._jobs[job.id] = RunningJob(job=job, scope=self._scope)
        elif kind == FORGET:
            if known := self._jobs.pop(data.decode(), None):
                for scan in list(known.scans):
                    scan.stop("the scan has ended")
        elif kind == SHARD:
            job_id, packed = data[:ID_BYTES].decode(), data[ID_BYTES:]
            running = self._jobs.get(job_id)
            if running is None or self._key is None:
                raise HardenprobeError("the scan has ended")
            return (await running.scan(Shard.unpacked(packed), self._key)).packed()
        return b""

    def _say(self, kind: int, number: int, data: bytes) -> None:
        left = memoryview(FRAME.pack(kind, number, len(data)) + data)
        while left:
            left = left[os.write(self._out, left) :]


async def main(scope: Path) -> None:
    out = os.dup(1)
    os.dup2(2, 1)  # what a library prints is no reply
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader(limit=1 << 20)
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    scanner = Scanner(scope_file.load(scope), out)
    scanner._say(DONE, 0, b"")
    await scanner.serve(reader)


if __name__ == "__main__":
    with contextlib.suppress(ValueError):
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the worker
    asyncio.run(main(Path(sys.argv[1])))
