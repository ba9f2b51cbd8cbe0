"""What a capture learns of a scan's sockets: of those of a sweep, and of those of a visit, whose packets observations name."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from ipaddress import ip_address
from typing import TYPE_CHECKING, Any

from hardenprobe.model import Endpoint, Observation
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.capture import frames
from hardenprobe.network.capture.flows import GROUP, Flow

if TYPE_CHECKING:
    from hardenprobe.network.capture.capture import Capture


class Tap:
    """What Link tells of the sockets of one visit, and what the visit's observations learn of their packets."""

    def __init__(self, capture: Capture) -> None:
        self._capture = capture
        self._flows: list[Flow] = []
        self._proof: dict[str, list[Flow]] = {}

    def begin(
        self,
        recorder: Recorder,
        transport: str,
        port: int,
        there: tuple[str, int],
        ours: tuple[Any, ...],
        any_port: bool = False,
    ) -> None:
        """A socket is about to speak.

        Args:
            port: As assigned.
            there: Where it speaks to.
            ours: Its own address and port, as the socket states them.
            any_port: An answer may come from another port.
        """
        flow = _flow(transport, there, ours, any_port)
        flow.port, flow.recorder = port, recorder
        self._flows.append(flow)
        self._capture.flows.begin(flow)

    def end(self) -> None:
        """The socket that spoke last is closed. Twice is harmless."""
        if self._flows:
            self._capture.flows.end(self._flows[-1])

    def proves(self, observation: str, endpoint: Endpoint | None, recorders: Sequence[Recorder]) -> None:
        """Write down which sockets an observation rests on.

        One without a transcript, of a port that refuses say, rests on what went to its endpoint and proves nothing else.
        """
        if recorders:
            mine = [flow for flow in self._flows if any(flow.recorder is one for one in recorders)]
        else:
            where = (endpoint.transport, endpoint.port) if endpoint else None
            mine = [f for f in self._flows if (f.transport, f.port) == where and not f.spoken_for]
        for flow in mine:
            flow.spoken_for = True
        # Two of one millisecond that saw the same have one id, and are one observation.
        self._proof.setdefault(observation, []).extend(mine)

    def proves_as_well(self, observation: str, other: str) -> None:
        """An observation rests on the same sockets as another."""
        self._proof.setdefault(observation, []).extend(self._proof.get(other, ()))

    async def numbered(self, seen: Iterable[Observation[Any]]) -> list[Observation[Any]]:
        """The visit is over: show what may be shown, and name in each observation the packets that prove it.

        What is named is on the disk by then, so that it can be kept.
        """
        seen = list(seen)
        await self._capture.caught_up()
        named = {id(flow) for one in seen for flow in self._proof.get(one.id, ())}
        for flow in self._flows:
            if id(flow) in named:
                self._capture.show(flow)
            self._capture.release(flow)
        if named:
            await asyncio.to_thread(self._capture.settle)
        return [replace(one, packets=ranges(self._numbers(one.id))) for one in seen]

    def _numbers(self, observation: str) -> Iterable[int]:
        written = self._capture.count
        return (n for flow in self._proof.get(observation, ()) for n in flow.packets if n <= written)


class SweepTap:
    """What a sweep tells of its sockets, by the address that they speak to; no observation names their packets."""

    def __init__(self, capture: Capture) -> None:
        self._capture = capture
        self._flows: dict[tuple[str, str], Flow] = {}

    def begin(self, transport: str, there: tuple[str, int], ours: tuple[Any, ...]) -> None:
        """A socket is about to speak, perhaps not for the first time. The arguments are as for `Tap.begin`."""
        key = (there[0], transport)
        if key not in self._flows:
            self._flows[key] = flow = _flow(transport, there, ours)
            flow.released = True  # it keeps no transcript, so nothing of a payload is ever shown
            self._capture.flows.begin(flow)

    def closed(self, address: str, transport: str) -> None:
        """The socket to an address is closed, or expects no answer from it any more. Twice is harmless."""
        if flow := self._flows.pop((address, transport), None):
            self._capture.flows.end(flow)

    def end(self) -> None:
        """Every socket is closed."""
        for key in list(self._flows):
            self.closed(*key)


class GroupTap:
    """What a question to a multicast group tells of its socket; no observation names its packets."""

    def __init__(self, capture: Capture) -> None:
        self._capture = capture

    @contextmanager
    def asking(self, ours: tuple[Any, ...], admits: Callable[[str], bool]) -> Iterator[None]:
        """The socket that asks, until the block ends; of the answers, those of admitted addresses are the scan's."""
        flow = Flow(
            key=(frames.UDP, GROUP, None, int(ours[1])),
            transport="udp",
            port=int(ours[1]),
            ours=frames.packed(ours[0]),
            admits=lambda packed: admits(str(ip_address(packed))),
            released=True,
        )
        self._capture.flows.begin(flow)
        try:
            yield
        finally:
            self._capture.flows.end(flow)


def _flow(transport: str, there: tuple[str, int], ours: tuple[Any, ...], any_port: bool = False) -> Flow:
    address, port = there
    key = (frames.PROTOCOLS[transport], frames.packed(address), None if any_port else port, int(ours[1]))
    mine = frames.packed(ours[0])
    return Flow(key=key, transport=transport, port=port, ours=mine if any(mine) else None)


def ranges(numbers: Iterable[int]) -> tuple[tuple[int, int], ...]:
    """Write numbers as runs, first and last of each.

    >>> ranges([7, 3, 4, 5])
    ((3, 5), (7, 7))
    """
    runs: list[tuple[int, int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return tuple(runs)
