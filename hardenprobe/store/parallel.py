"""Work on many things in several processes, their order kept, and few of them in memory at a time."""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
import sys
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from itertools import chain, islice
from typing import Any, TypeVar

from hardenprobe.errors import UsageError

T = TypeVar("T", bound=object)
R = TypeVar("R")

ALONE = 4  # things that are done before any process is started: what they load is loaded once, and few need no more
COLLECTED = 50_000  # objects that a worker makes between two searches for cycles, of which records have none
_work: Callable[[Any], Any] | None = (
    None  # what a worker was started for: it comes with the fork and is not pickled
)


def each(work: Callable[[T], R], things: Iterable[T], workers: int | None = None) -> Iterator[R]:
    """What the work makes of each thing, in their order.

    A worker is a fork of this process as it is after some things. Where a process cannot be forked safely, and where
    there is one processor or no room for a process, the work is done here.

    Args:
        workers: Processes; as many as this one may use processors by default.

    Raises:
        UsageError: A worker was ended from outside. What the work raises is raised here.
    """
    workers = len(os.sched_getaffinity(0)) if workers is None and sys.platform == "linux" else workers or 1
    rest = iter(things)
    yield from map(work, rest if workers < 2 or sys.platform != "linux" else islice(rest, ALONE))
    if (first := next(rest, None)) is None:
        return
    global _work
    before, _work = _work, work
    try:
        context = multiprocessing.get_context("fork")
        with ProcessPoolExecutor(workers, context, initializer=_begin) as pool:
            if _started(pool):
                yield from _in_order(pool, chain([first], rest), workers)
            else:
                yield from map(work, chain([first], rest))
    except BrokenProcessPool:
        raise UsageError("a worker process was killed from outside; memory may be short") from None
    finally:
        _work = before


def _started(pool: ProcessPoolExecutor) -> bool:
    """Start the workers; where this machine has no memory or no place for a process, those that were started are ended."""
    others = set(multiprocessing.active_children())
    try:
        pool.submit(int)
    except OSError:
        for worker in set(multiprocessing.active_children()) - others:
            worker.kill()
            worker.join()
        return False
    return True


def _in_order(pool: ProcessPoolExecutor, things: Iterable[Any], workers: int) -> Iterator[Any]:
    waiting: deque[Future[Any]] = deque()
    try:
        for thing in things:
            waiting.append(pool.submit(_do, thing))
            if len(waiting) > workers:  # one more than are at work, so that none of them waits for us
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        for future in waiting:
            future.cancel()


def _do(thing: Any) -> Any:
    assert _work is not None
    return _work(thing)


def _begin() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent sees to it
    gc.freeze()  # what came with the fork stays
    gc.set_threshold(COLLECTED)
