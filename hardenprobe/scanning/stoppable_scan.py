"""What a scan in this process and one by workers have in common: what they are asked, and how they are stopped."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from hardenprobe.devices.credentials import Secrets
from hardenprobe.devices.inventory import Inventory
from hardenprobe.model import Cost
from hardenprobe.model.visit import SilentAddresses
from hardenprobe.planning.plan import Plan
from hardenprobe.probes.base import Probe
from hardenprobe.probes.pki.certificates import TrustAnchors


@dataclass(eq=False, kw_only=True)
class StoppableScan:
    """A scan that finishes what it has begun when it is stopped.

    Attributes:
        wanted: The kinds of facts that somebody will read; other probes are not run.
        plugged: Probes that plug-ins bring.
        seed: Of the order in which addresses are visited.
        done: (address, vantage) that need no visit any more.
        others: Addresses that were not planned, to the planned one at which their device told of them; grows as it goes.
        quiet: Where the sweep found no device; filled in as it goes.
        interrupted: Somebody stopped the scan, or its window closed, before the plan was done.
    """

    plan: Plan
    inventory: Inventory
    wanted: frozenset[type[Any]]
    anchors: TrustAnchors
    secrets: Secrets = field(default_factory=Secrets)
    plugged: tuple[Probe, ...] = ()
    seed: int = 0
    done: frozenset[tuple[str, str]] = frozenset()
    others: dict[str, str] = field(default_factory=dict)
    quiet: SilentAddresses = field(default_factory=SilentAddresses)
    cost: Cost = field(default_factory=Cost)
    interrupted: bool = False
    why_interrupted: str | None = None
    _stop: asyncio.Event = field(default_factory=asyncio.Event)

    def stop(self, why: str) -> None:
        """Finish the devices in progress and begin no other."""
        self.interrupted = True
        self.why_interrupted = self.why_interrupted or why
        self._stop.set()

    @contextlib.contextmanager
    def _interruptible(self) -> Iterator[None]:
        """Ctrl-C once finishes what is in progress; twice ends it at once."""
        loop, main = asyncio.get_running_loop(), asyncio.current_task()

        def interrupt() -> None:
            if self._stop.is_set() and main is not None:
                main.cancel()
            self.stop("interrupted")

        try:
            loop.add_signal_handler(signal.SIGINT, interrupt)
        except (NotImplementedError, ValueError, RuntimeError):  # no signals here, or not the main thread
            yield
            return
        try:
            yield
        finally:
            loop.remove_signal_handler(signal.SIGINT)
