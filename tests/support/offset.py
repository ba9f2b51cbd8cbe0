"""The port offset of the labs and servers of this test process, which no other test process of this machine has."""

from __future__ import annotations

import atexit
import os
import socket
from contextlib import suppress

from hardenprobe.demo_lab import server

_INHERITED = "HARDENPROBE_TESTS_OFFSET"  # for the processes that a test starts


def _reserve() -> int:
    """An offset between the low ports and those that a lab takes by itself; the name is ours until this process ends."""
    if given := os.environ.get(_INHERITED):
        return int(given)
    for offset in range(10007, server.OFFSET - 500, 1013):
        name = socket.socket(socket.AF_UNIX)
        with suppress(OSError):
            name.bind(f"\0hardenprobe tests at {offset}")
            os.environ[_INHERITED] = str(offset)
            atexit.register(name.close)
            return offset
        name.close()
    raise RuntimeError("nine test processes run on this machine already; end one of them")


OFFSET = _reserve()
