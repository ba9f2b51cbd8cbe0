"""What one device may be asked to bear, over all of its addresses."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field

from hardenprobe.errors import CeilingReached
from hardenprobe.model import Cost
from hardenprobe.network.backoff import Backoff
from hardenprobe.scope.limits import Timing

LIMITED = ("connections", "datagrams", "bytes_received", "seconds")  # what a device may be asked to bear


@dataclass(eq=False, kw_only=True)
class DeviceBudget:
    """Lock, cost and back-off shared by all addresses of one device.

    Attributes:
        lock: Held while a connection is open.
        dear: Held by the address that asks what may not fit under the ceiling for all of them, so that one gets it whole.
        cost: What all of them have spent together.
        easing: Lengthens the pause when the device shows that it bears less.
        waiting: Those of its addresses that our own probes have not finished with.
        finished: What the others of them have spent.
    """

    lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    dear: asyncio.Lock = field(default_factory=asyncio.Lock)
    cost: Cost = field(default_factory=Cost)
    easing: Backoff = field(default_factory=Backoff)
    waiting: set[str] = field(default_factory=set)
    finished: Cost = field(default_factory=Cost)

    def check(self, address: str, limits: Timing, wish: Cost) -> None:
        """Refuse what would go past a limit, and a device that has shown that it bears no more.

        Raises:
            CeilingReached: Says which.
        """
        self.easing.check(address)
        for name in LIMITED:
            limit = getattr(limits, name)
            if getattr(self.cost, name) + getattr(wish, name) > limit:
                raise CeilingReached(f"{address}: limit of {limit:g} {name} reached")

    def spare(self, name: str, limits: Timing, address: str, mine: Cost, is_finished: bool) -> int:
        """What is left to an address of one of the device's limits.

        What this address has cost is kept back for every other address of the device that our own probes have not finished
        with, less what those have cost already: whoever is first must not use up what another needs.

        Args:
            name: A field of Cost.
            mine: What this address has cost.
            is_finished: Our own probes have finished with it.
        """
        spent, each, finished = (getattr(cost, name) for cost in (self.cost, mine, self.finished))
        others = spent - finished - (0 if is_finished else each)
        kept = len(self.waiting - {address}) * each - others
        left: int = getattr(limits, name) - spent - max(0, kept)
        return max(0, left)
