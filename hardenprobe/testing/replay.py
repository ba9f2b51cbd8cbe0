"""A line that plays a device from a script: what it sends, and what it must receive. No network."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Literal, cast

from hardenprobe.errors import Unreachable
from hardenprobe.model import Observation
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.link import Answer, DeviceLink
from hardenprobe.network.stream import Stream
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.tcp import look
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.ports import may_speak

Step = tuple[Literal["sent", "received"], bytes]
"""One piece of a script: who says it, seen from the probe, and the bytes."""
_QUICK = Timing(pause=0.0, reply=0.2, greeting=0.2)


class _Anybody:
    """Nothing is sent to any address."""

    def check(self, address: str) -> None:
        pass


class Replay(DeviceLink):
    """A line to a device that follows a script.

    Args:
        tcp: Port to steps, each a tuple (Literal["sent", "received"], bytes): what goes over every connection, in turn: ("received", b"...") is said by the device, ("sent", b"...")
            must be what the probe says next. ("received", b"") ends the connection; after the last step the device is silent. A
            port that is not here refuses.
        udp: Port to questions ("sent") and the reply ("received") behind each; without a question, any gets the reply.
        speaks: Port to the protocol that may be spoken there, beside the usual ones.

    Raises:
        AssertionError: From `Stream.send` and `DeviceLink.ask`, where the probe says something else.
    """

    def __init__(
        self,
        tcp: Mapping[int, Sequence[Step]] | None = None,
        udp: Mapping[int, Sequence[Step]] | None = None,
        *,
        speaks: Mapping[int, str] | None = None,
        address: str = "127.0.9.10",
    ) -> None:
        super().__init__(
            address=address,
            permit=_Anybody(),
            vantage="office",
            timing=_QUICK,
            may_speak=may_speak((speaks or {}).items()),
        )
        self.tcp, self.udp = dict(tcp or {}), dict(udp or {})
        self.strayed: list[str] = []  # a probe may go on after an error

    @classmethod
    def of(cls, seen: Observation[Any], **more: Any) -> Replay:
        """Replay the transcript of an observation; what was not kept of it is not said."""
        assert seen.endpoint is not None
        steps: list[Step] = [(cast(Any, e.direction), bytes.fromhex(e.hex)) for e in seen.transcript]
        script = {seen.endpoint.port: steps}
        tcp = script if seen.endpoint.transport == "tcp" else None
        return cls(tcp, None if tcp else script, address=seen.endpoint.address, **more)

    def stray(self, said: str) -> AssertionError:
        """Note that a probe has left the script."""
        self.strayed.append(said)
        return AssertionError(said)

    async def connect(self, port: int, wait: float | None = None, *, reserved: bool = False) -> Stream:
        if port not in self.tcp:
            raise Unreachable(f"{self.address} {port}/tcp refuses", "refusing")
        return _Scripted(self, port, self.tcp[port])

    async def ask(self, port: int, datagram: bytes, **how: Any) -> Answer:
        steps = self.udp.get(port, ())
        recorder = Recorder()
        recorder.note("sent", datagram)
        told = [data for direction, data in steps if direction == "sent"]
        if told and datagram not in told:
            raise self.stray(f"{port}/udp received {datagram!r}, the script has {told!r}")
        said = [data for direction, data in steps if direction == "received"]
        if not said:
            state = "silent" if port in self.udp else "refusing"
            return Answer(state=state, data=b"", recorder=recorder)
        reply = said[told.index(datagram)] if told else said[0]
        recorder.note("received", how["hide"](reply) if how.get("hide") else reply)
        return Answer(state="accepting", data=reply, recorder=recorder)


class _Scripted(Stream):
    def __init__(self, line: Replay, port: int, steps: Iterable[Step]) -> None:
        super().__init__(line, port, cast(Any, None), Recorder())
        self._steps = deque(steps)

    def close(self) -> None:
        """There is nothing to close."""

    async def raw_receive(self, limit: int, wait: float | None) -> bytes:
        if not self._steps or self._steps[0][0] == "sent":
            raise Unreachable(f"{self.line.address} {self.port}/tcp says nothing", "silent")
        said = self._steps.popleft()[1]
        if rest := said[limit:]:
            self._steps.appendleft(("received", rest))
        return said[:limit]

    async def raw_send(self, data: bytes) -> None:
        if not self._steps or self._steps[0] != ("sent", data):
            wanted = f"the script has {self._steps[0]!r}" if self._steps else "the script is at its end"
            assert isinstance(self.line, Replay)
            raise self.line.stray(f"{self.port}/tcp received {data!r}; {wanted}")
        self._steps.popleft()


def answers(probe: Probe, line: Replay) -> list[Observation[Any]]:
    """Run a probe over a replayed device, whose ports were all looked at; everything that was seen.

    Raises:
        AssertionError: The probe says something that is not in the script. What the probe raises is raised.
    """
    seen = asyncio.run(_answers(probe, line))
    if line.strayed:
        raise AssertionError(line.strayed[0])
    return seen


async def _answers(probe: Probe, line: Replay) -> list[Observation[Any]]:
    asked = ProbeContext(
        line=line,
        plan=cast(Any, None),
        listed=None,
        wanted=frozenset(probe.produces),
        anchors=cast(Any, None),
    )
    for port in line.tcp:
        asked.heard[port] = heard = await look(line, port)
        asked.seen.append(heard.seen)
    async for one in probe.ask(asked):
        asked.seen.append(one)
    return asked.seen
