"""How much a whole scan sends in a second, however many devices are in progress."""

from __future__ import annotations

import asyncio
import math
import time

BURST = 0.05  # seconds of the rate that may be made up for at once


class Rate:
    """A bound on connections and datagrams a second, shared by the sweep and every line of a scan.

    Attributes:
        tokens: What may be begun just now; each thing that is begun takes one. Below 0 lines are waiting for theirs, and
            the sweep, which begins only what it has a token for, waits behind them.

    Args:
        per_second: None for no bound.
        within: A wider rate that this one is a part of; whatever is begun counts under both.
    """

    def __init__(self, per_second: float | None, within: Rate | None = None) -> None:
        self.per_second = per_second
        self.within = within
        self.tokens = math.inf if per_second is None else 1.0
        self._refilled = time.monotonic()

    @property
    def free(self) -> bool:
        """One thing more may be begun just now."""
        return self.tokens >= 1 and (self.within is None or self.within.free)

    def refill(self, now: float) -> None:
        """Earn what the time since the last call is worth.

        Args:
            now: Of the monotonic clock.
        """
        if self.per_second is not None:
            most = max(1.0, BURST * self.per_second)
            self.tokens = min(most, self.tokens + (now - self._refilled) * self.per_second)
            self._refilled = now
        if self.within is not None:
            self.within.refill(now)

    def take(self) -> float:
        """Begin one thing; return the seconds until it may be begun."""
        self.tokens -= 1
        wait = self.within.take() if self.within is not None else 0.0
        if self.per_second is None or self.tokens >= 0:
            return wait
        return max(wait, -self.tokens / self.per_second)

    async def turn(self) -> None:
        """Wait until one thing more may be begun."""
        self.refill(time.monotonic())
        if wait := self.take():
            await asyncio.sleep(wait)
