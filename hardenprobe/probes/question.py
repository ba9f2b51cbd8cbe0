"""The plainest probes: one request to one TCP port, or one question to every port that greeted in its protocol."""

from __future__ import annotations

from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any, TypeVar

from hardenprobe.model import Observation
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.base import Probe, ProbeContext

F = TypeVar("F")
LONGEST = 1024  # bytes of a reply


def question(name: str, port: int, sent: bytes, read: Callable[[bytes], F], produces: type[F]) -> Probe:
    """A probe that sends one request where the port is open and says nothing unasked. Reach: ask.

    Args:
        name: Of the probe, and of the protocol under which the request is sent and the reply is recorded.
        port: TCP port that is assigned to the protocol.
        sent: The request; nothing else is sent, and nothing is authenticated.
        read: Makes facts of the first kilobyte of the reply, b"" where the device closes without one; raise MalformedReply for
            bytes that make none.
    """

    async def ask(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
        heard = asked.heard.get(port)
        if heard is None or not heard.waits:
            return
        async with await asked.line.connect(port) as stream:
            await stream.send(sent, name)
            facts = read(await stream.receive(LONGEST))
            yield asked.line.observation(facts, asked.line.endpoint(port, protocol=name), stream.recorder)

    return Probe(name=name, produces=(produces,), ask=ask, place=("tcp", port), tcp_ports={port: name})


def greeting_question(
    name: str, protocol: str, kind: type[F], put: Callable[[DeviceLink, int], Awaitable[Observation[F]]]
) -> Probe:
    """A probe that asks each port that greeted in a protocol which may be spoken there. Reach: ask.

    Args:
        put: Asks one port.
    """

    async def ask(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
        for heard in asked.accepting():
            if heard.seen.facts.speaks == protocol and asked.line.speaks(heard.port, protocol):
                with asked.trying(name, (kind,), heard.port):
                    yield await put(asked.line, heard.port)

    return Probe(name=name, produces=(kind,), ask=ask)
