"""A limit on the processor time of code that comes from elsewhere: it may be caught in a loop by what a device sent."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import threading
from collections.abc import AsyncIterator, Iterator
from typing import Any

from hardenprobe.errors import Overran

SECONDS = 10.0  # of processor time; a check takes milliseconds
AGAIN = 1.0  # seconds after which code that caught `Overran` itself meets it again


@contextlib.contextmanager
def limited(seconds: float | None = None) -> Iterator[None]:
    """Bound the processor time of a block; waiting costs nothing.

    It holds in the main thread of a system that has such timers, and code that drops every exception for ever gets
    around it.

    Args:
        seconds: SECONDS by default.

    Raises:
        Overran: From wherever the block is at that moment.

    >>> with limited(60.0):
    ...     print("quick")
    quick
    """
    if threading.current_thread() is not threading.main_thread() or not hasattr(signal, "setitimer"):
        yield
        return
    most = SECONDS if seconds is None else seconds

    def ring(number: int, frame: Any) -> None:
        raise Overran(f"it used {most:g} seconds of processor time and was stopped")

    before = signal.signal(signal.SIGVTALRM, ring)
    signal.setitimer(signal.ITIMER_VIRTUAL, most, AGAIN)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        signal.signal(signal.SIGVTALRM, before)


@contextlib.asynccontextmanager
async def unblocked() -> AsyncIterator[None]:
    """Bound how long anything in a block may keep the event loop to itself, as `limited` does.

    Raises:
        Overran: In whatever holds the loop.
    """
    with limited():
        beat = asyncio.create_task(_beat())
        try:
            yield
        finally:
            beat.cancel()


async def _beat() -> None:
    """Wind the timer up again as long as the loop comes round."""
    while hasattr(signal, "setitimer"):
        if threading.current_thread() is threading.main_thread():
            signal.setitimer(signal.ITIMER_VIRTUAL, SECONDS, AGAIN)
        await asyncio.sleep(min(1.0, SECONDS / 4))
