"""Cables that take their time and lose frames: pairs of TAP devices (Linux, tuntap), and a process that carries between them."""

from __future__ import annotations

import fcntl
import heapq
import os
import random
import select
import struct
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from hardenprobe.errors import UsageError

_DEVICE, _SET = "/dev/net/tun", 0x400454CA  # TUNSETIFF of linux/if_tun.h
_TAP, _NO_HEADER = 0x0002, 0x1000
FRAME = 65536  # bytes


@dataclass(frozen=True, kw_only=True)
class Cable:
    """A pair of ends, each known by its interface.

    Attributes:
        delay: Seconds each way.
        loss: Frames in a hundred that are lost, each way.
    """

    ends: tuple[str, str]
    delay: float
    loss: int


@contextmanager
def carrying(cables: Sequence[Cable]) -> Iterator[None]:
    """Make the ends, in the namespace of this process, and carry between them until the block ends; they may be moved.

    Raises:
        UsageError: This user may make no TAP device.
    """
    ways: dict[int, tuple[int, Cable]] = {}
    for cable in cables:
        here, there = map(_tap, cable.ends)
        ways |= {here: (there, cable), there: (here, cable)}
    pid = os.fork() if ways else 0
    if ways and not pid:
        try:
            _carry(ways, os.getppid())
        finally:
            os._exit(0)
    try:
        yield
    finally:
        if pid:
            os.kill(pid, 9)
            os.waitpid(pid, 0)
        for end in ways:
            os.close(end)


def _tap(name: str) -> int:
    try:
        end = os.open(_DEVICE, os.O_RDWR | os.O_NONBLOCK)
    except OSError as exc:
        raise UsageError(f"a network with slow cables needs {_DEVICE}: {exc.strerror}") from None
    fcntl.ioctl(end, _SET, struct.pack("16sH22x", name.encode(), _TAP | _NO_HEADER))
    return end


def _carry(ways: dict[int, tuple[int, Cable]], parent: int) -> None:
    """The child's whole life; it ends by itself when the parent has."""
    draw = random.Random(0)
    poll = select.poll()
    for end in ways:
        poll.register(end, select.POLLIN)
    due: list[tuple[float, int, int, bytes]] = []  # when, number, where to, frame
    number = 0
    while os.getppid() == parent:
        wait = due[0][0] - time.monotonic() if due else 1.0
        for end, event in poll.poll(max(0.0, wait) * 1000):
            there, cable = ways[end]
            try:
                frame = os.read(end, FRAME)
            except OSError:  # it is down as yet
                if event & select.POLLERR:
                    time.sleep(0.01)
                continue
            if draw.random() * 100 >= cable.loss:
                number += 1
                heapq.heappush(due, (time.monotonic() + cable.delay, number, there, frame))
        now = time.monotonic()
        while due and due[0][0] <= now:
            _, _, there, frame = heapq.heappop(due)
            try:
                os.write(there, frame)
            except OSError:  # down, or full: lost
                continue
