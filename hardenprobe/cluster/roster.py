"""Who is there: the workers of a cluster, their versions and their clocks."""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hardenprobe.cluster import connection
from hardenprobe.cluster.connection import PARTY, PATIENCE


@dataclass(frozen=True, kw_only=True)
class WorkerThere:
    """A worker that the scheduler knows.

    Attributes:
        address: Of the worker itself.
        key: Public, for what only this worker may read.
        clock_offset: Seconds that its clock is ahead of ours, None where it did not answer.
        within: Seconds by which that may be wrong.
    """

    address: str
    vantage: str
    version: str
    key: bytes
    clock_offset: float | None = None
    within: float = 0.0


def known(identity: dict[str, Any]) -> list[WorkerThere]:
    """The workers that a scheduler names, in order of vantage point and address."""
    found = []
    for address, told in identity.get("workers", {}).items():
        party = told.get(PARTY) or {}
        found.append(
            WorkerThere(
                address=address,
                vantage=str(party.get("vantage", "")),
                version=str(party.get("version", "unknown")),
                key=bytes.fromhex(str(party.get("key", ""))),
            )
        )
    return sorted(found, key=lambda one: (one.vantage, one.address))


async def call(address: str, certificates: Path) -> list[WorkerThere]:
    """Ask the scheduler who is there, and each worker for its clock.

    Raises:
        UsageError: The scheduler cannot be reached.
    """
    client = await connection.connect(address, certificates)
    try:
        there = known(await client.scheduler.identity())
        return [await _clocked(client, one) for one in there]
    finally:
        await client.close()


async def _clocked(client: Any, one: WorkerThere) -> WorkerThere:
    from hardenprobe.cluster.worker import read_clock

    began = time.time()
    try:
        told = await asyncio.wait_for(client.run(read_clock, workers=[one.address]), PATIENCE)
        theirs = float(told[one.address])
    except Exception:  # noqa: BLE001 - whatever it is, it did not answer
        return one
    ended = time.time()
    return WorkerThere(
        address=one.address,
        vantage=one.vantage,
        version=one.version,
        key=one.key,
        clock_offset=theirs - (began + ended) / 2,
        within=(ended - began) / 2,
    )
