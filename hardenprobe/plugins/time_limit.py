"""Limits of time on code that comes from elsewhere: it may be caught in a loop by what a device sent, or wait for ever."""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import signal
import sys
import threading
import time
from collections.abc import AsyncGenerator, AsyncIterator, Awaitable, Generator, Iterator
from typing import Any, TypeVar

from hardenprobe.errors import TimeLimitExceeded

T = TypeVar("T")

SECONDS = 10.0  # of processor time; a check takes milliseconds
WAITING = 20.0  # seconds by the clock, for code that sleeps
STEP = 2.0  # seconds by the clock between two waits of a probe; all other devices wait meanwhile
CLOSING = 1.0  # seconds for a probe to let go of what it holds
AGAIN = 1.0  # seconds after which code that caught `TimeLimitExceeded` itself meets it again


@contextlib.contextmanager
def limited(seconds: float | None = None, waiting: float | None = None) -> Iterator[None]:
    """Bound the time that a block takes.

    It holds in the main thread of a system that has such timers, and code that drops every exception for ever gets
    around it.

    Args:
        seconds: Of processor time, SECONDS by default.
        waiting: By the clock, WAITING by default.

    Raises:
        TimeLimitExceeded: From wherever the block is at that moment.

    >>> with limited(60.0):
    ...     print("quick")
    quick
    """
    if threading.current_thread() is not threading.main_thread() or not hasattr(signal, "setitimer"):
        yield
        return
    with (
        _timer(
            signal.ITIMER_VIRTUAL,
            signal.SIGVTALRM,
            SECONDS if seconds is None else seconds,
            "used {:g} seconds of processor time",
        ),
        _timer(
            signal.ITIMER_REAL, signal.SIGALRM, WAITING if waiting is None else waiting, "took {:g} seconds"
        ),
    ):
        yield


@contextlib.contextmanager
def _timer(which: int, number: int, seconds: float, says: str) -> Iterator[None]:
    """Ring once the time is over, and give a timer that was running before what is left to it."""

    def ring(_: int, frame: Any) -> None:
        raise TimeLimitExceeded(f"it {says.format(seconds)} and was stopped")

    began = time.monotonic()
    before = signal.signal(number, ring)
    left, every = signal.setitimer(which, seconds, AGAIN)
    try:
        yield
    finally:
        signal.setitimer(which, 0.0)
        signal.signal(number, before)
        if left:
            signal.setitimer(which, max(0.001, left - (time.monotonic() - began)), every)


async def stepwise(source: AsyncIterator[T]) -> AsyncGenerator[T]:
    """Go through what comes, each step between two waits bounded by STEP; then let go of it, whatever it does.

    Raises:
        TimeLimitExceeded: A step took too long.
    """
    assert isinstance(source, AsyncGenerator)  # plugins/contract.py holds probes to it
    following = _unknown_to_the_loop(source)
    try:
        while True:
            try:
                item = await _Steps(following)
            except StopAsyncIteration:
                return
            yield item
            following = source.__anext__()
    finally:
        try:
            async with asyncio.timeout(CLOSING):
                await _Steps(source.aclose())
        except (Exception, SystemExit, TimeLimitExceeded):  # noqa: BLE001 - it does not let go, whatever the way
            _keep(source)


def _keep(left: object) -> None:
    """Keep something for ever: what is collected is closed, and this would run on in the place of that."""
    ctypes.pythonapi.Py_IncRef(ctypes.py_object(left))


def _unknown_to_the_loop(source: AsyncGenerator[T]) -> Awaitable[T]:
    """The first step of a generator that the event loop will not close at its own end, without bounds."""
    hooks = sys.get_asyncgen_hooks()
    sys.set_asyncgen_hooks(None, None)
    try:
        return source.__anext__()
    finally:
        sys.set_asyncgen_hooks(*hooks)


class _Steps(Awaitable[T]):
    """Awaits something step by step. Where it is cancelled and goes on, it is left where it is."""

    def __init__(self, awaited: Awaitable[T]) -> None:
        self._awaited = awaited

    def __await__(self) -> Generator[Any, Any, T]:
        steps = self._awaited.__await__()
        task = asyncio.current_task()
        step: Any = next
        while True:
            try:
                with limited(waiting=STEP):
                    waits_for = step(steps)
            except StopIteration as end:
                found: T = end.value
                return found
            if step is not next and task is not None and task.cancelling():  # it dropped the cancellation
                with contextlib.suppress(BaseException), limited(waiting=STEP):
                    steps.close()
                raise asyncio.CancelledError
            try:
                yield waits_for
                step = next
            except GeneratorExit:
                steps.close()
                raise
            except BaseException as exc:  # noqa: BLE001 - whatever it is goes where it belongs
                step = _throwing(exc)


def _throwing(exc: BaseException) -> Any:
    return lambda steps: steps.throw(exc)
