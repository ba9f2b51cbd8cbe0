"""A line that gives fixed bytes and no network: what a probe makes of any bytes at all."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable
from typing import Any

from hardenprobe.errors import Unreachable
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.link import Answer, DeviceLink
from hardenprobe.network.stream import Stream
from hardenprobe.scope.limits import Timing

PIECE = 1000  # bytes of one receive, so that every reader has to ask again
_WAITS = Timing(pause=0.0, reply=0.2, greeting=0.2, connections=1000, datagrams=1000)


class Anybody:
    """A scope that admits every address; nothing is sent to any."""

    def check(self, address: str) -> None:
        pass


class Fed(DeviceLink):
    """A line whose every connection and every question gets the same bytes.

    Args:
        data: What comes. After it a stream closes, or is silent where the number of bytes is odd.
        word: What may be spoken.
    """

    def __init__(self, data: bytes, port: int, word: str) -> None:
        super().__init__(
            address="127.0.9.9", permit=Anybody(), timing=_WAITS, may_speak={port: frozenset({word})}
        )
        self.data = data

    async def connect(self, port: int, wait: float | None = None, *, reserved: bool = False) -> Stream:
        return _FedStream(self, port, self.data)

    async def ask(self, port: int, datagram: bytes, **how: Any) -> Answer:
        recorder = Recorder()
        hide: Callable[[bytes], bytes] | None = how.get("hide")
        recorder.note("received", hide(self.data) if hide else self.data)
        return Answer(state="accepting", data=self.data, recorder=recorder)


class _FedStream(Stream):
    def __init__(self, line: Fed, port: int, data: bytes) -> None:
        super().__init__(line, port, None, Recorder())  # type: ignore[arg-type]
        self._left = data
        self._silent = len(data) % 2 == 1

    def close(self) -> None:
        """There is nothing to close."""

    async def raw_receive(self, limit: int, wait: float | None) -> bytes:
        piece, self._left = self._left[: min(limit, PIECE)], self._left[min(limit, PIECE) :]
        if not piece and self._silent:
            raise Unreachable("silent", "silent")
        return piece

    async def raw_send(self, data: bytes) -> None:
        """Nobody hears it."""

    async def start_tls(self, context: ssl.SSLContext, server_name: str | None = None) -> ssl.SSLObject:
        raise ssl.SSLError("no TLS here")


def finish(work: Any) -> Any:
    """Run a coroutine to its end, and an asynchronous generator to a list, without an event loop.

    A line of fixed bytes never waits, so each step can be taken at once: twenty times as fast as a loop that is asked for it.
    """
    steps = _listed(work) if hasattr(work, "__aiter__") else work
    asyncio._set_running_loop(_LOOP)
    asyncio._enter_task(_LOOP, _TASK)  # type: ignore[arg-type]
    try:
        while True:
            waits_for = steps.send(None)
            assert waits_for is None, f"a line of fixed bytes has nothing to wait for: {waits_for!r}"
    except StopIteration as end:
        return end.value
    finally:
        asyncio._leave_task(_LOOP, _TASK)  # type: ignore[arg-type]
        asyncio._set_running_loop(None)


class _StillLoop(asyncio.AbstractEventLoop):
    """A loop that never turns and whose clock stands still: what asks for a time-out gets one that never comes."""

    def time(self) -> float:
        return 0.0

    def get_debug(self) -> bool:
        return False

    def call_at(self, when: float, callback: Any, *args: Any, context: Any = None) -> asyncio.TimerHandle:
        return asyncio.TimerHandle(when, callback, args, self, context)

    def _timer_handle_cancelled(self, handle: asyncio.TimerHandle) -> None:
        """No handle is kept."""


class _StillTask:
    """As much of a task as a time-out asks for."""

    def cancelling(self) -> int:
        return 0

    def uncancel(self) -> int:
        return 0


_LOOP, _TASK = _StillLoop(), _StillTask()


async def _listed(work: Any) -> list[Any]:
    return [one async for one in work]
