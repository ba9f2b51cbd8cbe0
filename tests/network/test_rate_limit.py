"""rate: a bound on everything that a scan sends, whoever sends it."""

from __future__ import annotations

import asyncio
import time

from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.network.link import DeviceLink
from hardenprobe.network.rate_limit import BURST, Rate
from hardenprobe.probes import tcp
from hardenprobe.scope.scope import Scope


@given(st.floats(1, 10_000), st.lists(st.floats(0, 5), max_size=20))
def test_never_more_is_begun_than_the_time_is_worth(per_second: float, gaps: list[float]) -> None:
    bound = Rate(per_second)
    now = began = bound._refilled
    begun = 0
    for gap in gaps:
        now += gap
        bound.refill(now)
        while bound.tokens >= 1:
            bound.tokens -= 1
            begun += 1
    assert begun <= (now - began) * per_second + max(1.0, BURST * per_second) + 1


def test_many_who_wait_share_one_bound() -> None:
    async def run() -> float:
        bound = Rate(200.0)
        began = time.monotonic()
        await asyncio.gather(*(bound.turn() for _ in range(50)))
        return time.monotonic() - began

    assert 0.2 <= asyncio.run(run()) < 2.0  # 50 at 200 a second


def test_who_sweeps_waits_behind_those_who_wait() -> None:
    async def run() -> float:
        bound = Rate(10.0)
        waiting = [asyncio.create_task(bound.turn()) for _ in range(3)]
        await asyncio.sleep(0)
        left = bound.tokens
        for task in waiting:
            task.cancel()
        return left

    assert asyncio.run(run()) < 0


def test_without_a_bound_nobody_waits() -> None:
    async def run() -> float:
        bound = Rate(None)
        began = time.monotonic()
        for _ in range(10_000):
            await bound.turn()
        return time.monotonic() - began

    assert asyncio.run(run()) < 2.0


def test_lines_to_different_devices_keep_to_it() -> None:
    async def run() -> float:
        bound = Rate(100.0)
        lines = [
            DeviceLink(address=f"127.0.0.{n}", permit=Scope.loopback(), rate=bound) for n in range(1, 41)
        ]
        began = time.monotonic()
        await asyncio.gather(*(tcp.look(line, 1) for line in lines))
        return time.monotonic() - began

    assert asyncio.run(run()) >= 0.3  # 40 connections at 100 a second, less the first burst


def test_what_is_begun_counts_under_a_part_and_under_the_whole() -> None:
    """Two parts of 60 and 80 a second in a whole of 100: each keeps to its own, and both together to the whole."""
    whole = Rate(100.0)
    parts = [Rate(60.0, within=whole), Rate(80.0, within=whole)]

    async def begin(rate: Rate, until: float) -> int:
        count = 0
        while time.monotonic() < until:
            await rate.turn()
            count += 1
        return count

    async def both(seconds: float) -> list[int]:
        until = time.monotonic() + seconds
        return await asyncio.gather(*(begin(rate, until) for rate in parts))

    first, second = asyncio.run(both(0.4))
    assert first <= 0.4 * 60 + 5
    assert second <= 0.4 * 80 + 6
    assert first + second <= 0.4 * 100 + 8
