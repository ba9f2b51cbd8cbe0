"""A limit on the processor time of code that comes from elsewhere: it may be caught in a loop by what a device sent."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

SECONDS = 10.0  # of processor time; a check takes milliseconds
AGAIN = 1.0  # seconds after which code that caught `Overran` itself meets it again


class Overran(BaseException):
    """The time is used up. No `Exception`, so that a loop which drops those does not drop this."""


@contextmanager
def limited(seconds: float = SECONDS) -> Iterator[None]:
    """Bound the processor time of a block; waiting costs nothing.

    It holds in the main thread of a system that has such timers, and code that drops every exception for ever gets
    around it.

    Raises:
        Overran: From wherever the block is at that moment.

    >>> with limited(60.0):
    ...     print("quick")
    quick
    """
    if threading.current_thread() is not threading.main_thread() or not hasattr(signal, "setitimer"):
        yield
        return

    def ring(number: int, frame: Any) -> None:
        raise Overran(f"it used {seconds:g} seconds of processor time and was stopped")

    before = signal.signal(signal.SIGVTALRM, ring)
    signal.setitimer(signal.ITIMER_VIRTUAL, seconds, AGAIN)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        signal.signal(signal.SIGVTALRM, before)
