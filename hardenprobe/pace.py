"""The pace of a whole scan: however many devices are visited at once, connections leave one after the other."""

from __future__ import annotations

import asyncio
import time


class Pace:
    """Spaces what leaves evenly. Shared by every line of a scan.

    Args:
        per_second: Connections a second at most.
    """

    def __init__(self, per_second: float) -> None:
        self._gap = 1 / per_second
        self._free = 0.0

    async def turn(self) -> None:
        """Wait until one more connection may leave."""
        now = time.monotonic()
        mine = max(now, self._free)
        self._free = mine + self._gap
        if mine > now:
            await asyncio.sleep(mine - now)
