"""The scheduler: it knows which workers are there, and passes shards and results on. It scans nothing and keeps nothing."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from distributed import Scheduler
from distributed.core import Status

from hardenprobe.cluster import connection
from hardenprobe.cluster.certificates import SCAN
from hardenprobe.cluster.connection import PARTY, peer_name

SILENT_AFTER = 60.0  # seconds; a worker that was not heard for so long is taken for lost


class VantageScheduler(Scheduler):
    """Refuses workers of another version, or whose certificate is for another vantage point, and clients that do not scan."""

    def __init__(self, *, dashboard_address: str | None = None, **options: Any) -> None:
        self._shows = dashboard_address is not None
        super().__init__(
            dashboard=self._shows,
            dashboard_address=dashboard_address,
            allowed_failures=0,  # the coordinator decides what becomes of a lost worker's shard, and when
            worker_ttl=SILENT_AFTER,
            **options,
        )

    def start_http_server(self, *arguments: Any, **options: Any) -> None:
        """Serve the dashboard, where somebody asked for it."""
        if self._shows:
            super().start_http_server(*arguments, **options)

    def identity(self, n_workers: int = -1) -> dict[str, Any]:
        return {**super().identity(n_workers), PARTY: {"version": connection.our_version()}}

    async def add_worker(self, comm: Any, **told: Any) -> None:
        party = (told.get("extra") or {}).get(PARTY) or {}
        refusal, ours = "", connection.our_version()
        if party.get("version") != ours:
            refusal = (
                f"it runs hardenprobe {party.get('version', 'unknown')}, and the scheduler {ours}; "
                "install the same version on both"
            )
        elif (name := peer_name(comm)) != party.get("vantage"):
            refusal = f"its certificate is for {name!r}, and not for vantage point {party.get('vantage')!r}"
        if refusal:
            await comm.write({"status": "refused", "message": refusal, "time": time.time()})
            return
        await super().add_worker(comm, **told)

    async def add_client(self, comm: Any, client: str, versions: dict[str, Any]) -> None:
        if peer_name(comm) != SCAN:
            comm.abort()
            return
        await super().add_client(comm, client, versions)


async def serve(
    address: str, certificates: Path, dashboard: str | None, ready: Callable[[str], None]
) -> None:
    """Serve until it is cancelled.

    Args:
        address: Where to listen, such as tls://192.0.2.10:8786.
        certificates: The folder of the scheduler's certificate.
        dashboard: Address and port of the dashboard, which anybody who reaches it may read; None for none.
        ready: Called with the address once it listens.

    Raises:
        UsageError: A certificate is missing.
        OSError: The address cannot be used.
    """
    host, _, port = address.removeprefix("tls://").rpartition(":")
    scheduler = VantageScheduler(
        host=f"tls://{host}",
        port=int(port),
        security=connection.security(certificates),
        dashboard_address=dashboard,
    )
    try:
        await scheduler
        ready(scheduler.address)
        await scheduler.finished()
    finally:
        if scheduler.status not in (Status.closed, Status.closing):
            await scheduler.close()
