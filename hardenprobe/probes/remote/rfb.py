"""Ask a remote screen which security types it offers. None is chosen, so no session begins."""

from __future__ import annotations

import asyncio
import re

from hardenprobe.errors import MalformedReply, Unreachable
from hardenprobe.facts import RfbSecurity, readable
from hardenprobe.model import Observation
from hardenprobe.network.link import DeviceLink
from hardenprobe.network.stream import Stream
from hardenprobe.probes.question import greeting_question

NONE, VNC = 1, 2  # security types, RFC 6143 section 7.1.2
REASON_CAP = 1024  # bytes
_VERSION = re.compile(rb"RFB (\d{3})\.(\d{3})\n")


def version_of(greeting: bytes) -> tuple[int, int]:
    """Read the version that a server greets with. Source: RFC 6143 section 7.1.1.

    Raises:
        MalformedReply: Not a greeting of this protocol.

    >>> version_of(b"RFB 003.008\\n")
    (3, 8)
    """
    found = _VERSION.match(greeting)
    if not found:
        raise MalformedReply("no RFB version")
    return int(found[1]), int(found[2])


def answer_to(version: tuple[int, int]) -> tuple[int, int]:
    """The version to answer with: 3.8, 3.7 or 3.3, the highest that the server has (RFC 6143 appendix A)."""
    for ours in ((3, 8), (3, 7)):
        if version >= ours:
            return ours
    return (3, 3)


async def security(line: DeviceLink, port: int) -> Observation[RfbSecurity]:
    """Read the version, answer it, read the list of security types, and close."""
    async with await line.connect(port) as stream:
        reader = _Reader(stream, line.timing.greeting * 3)
        named = ""
        try:
            version = version_of(await reader.exactly(12))
            ours = answer_to(version)
            named = f"{version[0]}.{version[1]}"
            await stream.send(b"RFB %03d.%03d\n" % ours, "rfb")
            reader.within(line.timing.reply)
            types, reason = await (_listed(reader) if ours >= (3, 7) else _decided(reader))
            facts = RfbSecurity(version=named, types=types, reason=reason)
        except (MalformedReply, Unreachable) as exc:
            facts = RfbSecurity(version=named, fault=str(exc))
        return line.observation(facts, line.endpoint(port, protocol="rfb"), stream.recorder)


class _Reader:
    """Exact numbers of bytes from a stream, all of them within `wait` seconds."""

    def __init__(self, stream: Stream, wait: float) -> None:
        self._stream, self._held = stream, b""
        self.within(wait)

    def within(self, wait: float) -> None:
        """Begin the time anew."""
        self._clock = asyncio.get_running_loop().time
        self._until = self._clock() + wait

    async def exactly(self, count: int) -> bytes:
        while len(self._held) < count:
            piece = await self._stream.receive(4096, max(0.0, self._until - self._clock()))
            if not piece:
                raise MalformedReply("RFB connection closed early")
            self._held += piece
        data, self._held = self._held[:count], self._held[count:]
        return data


async def _listed(reader: _Reader) -> tuple[tuple[int, ...], str]:
    """Versions 3.7 and 3.8: a count and as many types; none and a reason (RFC 6143 section 7.1.2)."""
    count = (await reader.exactly(1))[0]
    if count:
        return tuple(await reader.exactly(count)), ""
    return (), await _reason(reader)


async def _decided(reader: _Reader) -> tuple[tuple[int, ...], str]:
    """Version 3.3: the server decides on one type, 0 for none (RFC 6143 appendix A)."""
    decided = int.from_bytes(await reader.exactly(4))
    return ((decided,), "") if decided else ((), await _reason(reader))


async def _reason(reader: _Reader) -> str:
    length = int.from_bytes(await reader.exactly(4))
    if length > REASON_CAP:
        raise MalformedReply(f"RFB reason of {length} bytes")
    return readable(await reader.exactly(length))


PROBE = greeting_question("rfb", "rfb", RfbSecurity, security)
