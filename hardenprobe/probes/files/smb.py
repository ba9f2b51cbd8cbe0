"""Negotiate with an SMB server, once with NT LM 0.12 alone and once with versions 2 and 3; no session follows."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import AsyncIterator, Callable

from hardenprobe.errors import MalformedReply, Unreachable
from hardenprobe.facts import SmbNegotiation
from hardenprobe.model import Observation
from hardenprobe.network.link import DeviceLink, Stream
from hardenprobe.probes import packets
from hardenprobe.probes.base import Probe, ProbeContext

PORT = 445  # IANA, microsoft-ds
LIMIT = 4096  # bytes of one message; a negotiation is a few hundred

Decode = Callable[[bytes], tuple[str | None, bool | None]]


async def negotiate(
    line: DeviceLink, asked: str, message: bytes, decode: Decode
) -> Observation[SmbNegotiation]:
    """Send one negotiation and read its answer."""
    facts = SmbNegotiation(asked=asked, answered=False)
    async with await line.connect(PORT) as stream:
        try:
            await stream.send(message, "smb")
            dialect, signing = decode(await _message(stream))
            facts = SmbNegotiation(asked=asked, answered=True, dialect=dialect, signing_required=signing)
        except Unreachable as exc:
            facts = SmbNegotiation(asked=asked, answered=False, fault=exc.state)
        except MalformedReply as exc:
            facts = SmbNegotiation(asked=asked, answered=False, fault=str(exc))
        return line.observation(facts, line.endpoint(PORT, protocol="smb"), stream.recorder)


async def _message(stream: Stream) -> bytes:
    """Read one message within the reply time, without the four bytes of type and length before it (MS-SMB2 section 2.1).

    Raises:
        Unreachable: It closed or fell silent first.
        MalformedReply: The length is none of a negotiation.
    """
    data = b""
    clock = asyncio.get_running_loop().time
    until = clock() + stream.line.timing.reply
    while len(data) < 4 or len(data) < 4 + _length(data):
        piece = await stream.receive(LIMIT, max(0.0, until - clock()))
        if not piece:
            raise Unreachable("SMB connection closed before an answer", "closed")
        data += piece
    return data[4 : 4 + _length(data)]


def _length(data: bytes) -> int:
    length = int.from_bytes(data[1:4])
    if data[0] != 0 or length > LIMIT:
        raise MalformedReply(f"message of type {data[0]} and {length} bytes where an SMB answer was due")
    return length


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[SmbNegotiation]]:
    heard = asked.heard.get(PORT)
    if not (heard and heard.waits and asked.line.speaks(PORT, "smb")):
        return
    await packets.ready()
    questions: tuple[tuple[str, bytes, Decode], ...] = (
        ("2", packets.encode_smb2(secrets.token_bytes(32)), packets.decode_smb2),
        ("1", packets.encode_smb1(), packets.decode_smb1),
    )
    for version, message, decode in questions:
        with asked.trying("smb", (SmbNegotiation,), PORT):
            yield await negotiate(asked.line, version, message, decode)


PROBE = Probe(name="smb", produces=(SmbNegotiation,), ask=_ask)
