"""Work in several processes: in order, few things in hand, and every end of it."""

from __future__ import annotations

import importlib
import multiprocessing
import os
import signal
from collections.abc import Iterator

import pytest

from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.store.parallel import ALONE, each

MANY = 40


@pytest.mark.parametrize("workers", [None, 1, 2, 5])
@pytest.mark.parametrize("count", [0, 1, ALONE, ALONE + 1, MANY])
def test_the_order_is_kept(workers: int | None, count: int) -> None:
    assert list(each(lambda n: n * n, range(count), workers)) == [n * n for n in range(count)]
    assert list(each(lambda n: n * n, iter(range(count)), workers)) == [n * n for n in range(count)]


def test_it_is_done_by_others_and_few_things_are_in_hand() -> None:
    taken = 0

    def things() -> Iterator[int]:
        nonlocal taken
        for n in range(MANY):
            taken += 1
            yield n

    pids = []
    for done, pid in enumerate(each(lambda _: os.getpid(), things(), workers=2)):
        pids.append(pid)
        assert taken - done <= 4
    assert set(pids[:ALONE]) == {os.getpid()}
    assert os.getpid() not in pids[ALONE:] and 1 <= len(set(pids[ALONE:])) <= 2
    assert not multiprocessing.active_children()


def test_few_things_start_no_process() -> None:
    assert set(each(lambda _: os.getpid(), range(ALONE), workers=2)) == {os.getpid()}


@pytest.mark.parametrize("error", [StoreRefused("gone"), ZeroDivisionError("1 / 0"), KeyboardInterrupt()])
def test_what_the_work_raises_is_raised_here(error: BaseException) -> None:
    def work(n: int) -> int:
        if n == 7:
            raise error
        return n

    found = []
    with pytest.raises(type(error)) as caught:
        for n in each(work, range(MANY), workers=2):
            found.append(n)  # noqa: PERF402 - what came before it counts
    assert str(caught.value) == str(error)
    assert found == list(range(7))
    assert not multiprocessing.active_children()


def test_a_worker_that_is_killed_is_said_in_one_line() -> None:
    def work(n: int) -> int:
        if n == 7:
            os.kill(os.getpid(), signal.SIGKILL)
        return n

    with pytest.raises(UsageError, match="a worker process was killed from outside; memory may be short"):
        list(each(work, range(MANY), workers=2))
    assert not multiprocessing.active_children()


def test_who_stops_listening_leaves_no_process() -> None:
    for n in each(lambda n: n, range(MANY), workers=2):
        if n == 5:
            break
    assert not multiprocessing.active_children()


@pytest.mark.skipif(
    not hasattr(os, "setresuid") or os.getuid() != 0, reason="needs root, to become somebody else"
)
@pytest.mark.parametrize("room", [0, 1])
def test_where_no_process_can_be_had_the_work_is_done_here(room: int) -> None:
    """RLIMIT_NPROC of getrlimit(2) binds everybody but root: fork(2) fails with EAGAIN, as it does without memory."""
    resource = importlib.import_module("resource")
    child = os.fork()
    if not child:
        status = 1
        try:
            nobody = 64000 + room
            os.setresuid(nobody, nobody, nobody)
            resource.setrlimit(resource.RLIMIT_NPROC, (1 + room, 1 + room))
            right = list(each(lambda n: n * n, range(MANY), workers=2)) == [n * n for n in range(MANY)]
            status = 0 if right and not multiprocessing.active_children() else 2
        finally:
            os._exit(status)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
