"""Negotiate with an SMB server, once with NT LM 0.12 alone and once with versions 2 and 3; no session follows."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import AsyncIterator, Callable
from dataclasses import replace

from hardenprobe.errors import MalformedReply, Unreachable
from hardenprobe.facts import SmbNegotiation
from hardenprobe.model import Observation
from hardenprobe.network.link import DeviceLink
from hardenprobe.network.stream import Stream
from hardenprobe.probes import packets
from hardenprobe.probes.base import Probe, ProbeContext

PORT, SESSION_PORT = 445, 139  # IANA, microsoft-ds and netbios-ssn
SESSION_REQUEST, POSITIVE, NEGATIVE = 0x81, 0x82, 0x83  # RFC 1002 section 4.3.1
ANY_SERVER = "*SMBSERVER"  # a name for servers whose NetBIOS name is not known; common practice (no published requirement)
LIMIT = 4096  # bytes of one message; a negotiation is a few hundred

Decode = Callable[[bytes], tuple[str | None, bool | None]]


def encode_name(name: str, suffix: int) -> bytes:
    """A NetBIOS name as it stands in a message: 16 octets, each half of them a letter.

    Args:
        suffix: The last octet, which says what is named.

    Source: RFC 1001 section 14.1; RFC 1002 section 4.1.

    >>> encode_name("FRED", 0x20)
    b' EGFCEFEECACACACACACACACACACACACA\\x00'
    """
    octets = name.upper().encode("ascii").ljust(15)[:15] + bytes((suffix,))
    halves = (half for octet in octets for half in (octet >> 4, octet & 15))
    return b" " + bytes(0x41 + half for half in halves) + b"\0"


def encode_session_request() -> bytes:
    """Write a request for a session with whatever server listens. Source: RFC 1002 section 4.3.2."""
    names = encode_name(ANY_SERVER, 0x20) + encode_name("HARDENPROBE", 0)
    return bytes((SESSION_REQUEST, 0)) + len(names).to_bytes(2) + names


async def negotiate(
    line: DeviceLink, asked: str, message: bytes, decode: Decode, port: int = PORT
) -> Observation[SmbNegotiation]:
    """Send one negotiation and read its answer; on 139/tcp a request for a session goes before it."""
    facts = SmbNegotiation(asked=asked, answered=False)
    async with await line.connect(port) as stream:
        try:
            if port == SESSION_PORT:
                facts = replace(facts, session=await _session(stream))
                if facts.session == "negative":
                    facts = replace(facts, fault="the session is refused")
            if facts.fault is None:
                await stream.send(message, "smb")
                dialect, signing = decode(await _message(stream))
                facts = replace(facts, answered=True, dialect=dialect, signing_required=signing)
        except Unreachable as exc:
            facts = replace(facts, fault=exc.state)
        except MalformedReply as exc:
            facts = replace(facts, fault=str(exc))
        return line.observation(facts, line.endpoint(port, protocol="smb"), stream.recorder)


async def _session(stream: Stream) -> str:
    """Ask for a session.

    Raises:
        Unreachable: It closed or fell silent first.
        MalformedReply: The answer is none to a request for a session.
    """
    await stream.send(encode_session_request(), "smb")
    answer = await stream.receive(LIMIT, stream.line.timing.reply)
    if not answer:
        raise Unreachable("NetBIOS session closed before an answer", "closed")
    # RFC 1002 sections 4.3.3 and 4.3.4: four bytes, and an error code behind those that refuse.
    if answer == bytes((POSITIVE, 0, 0, 0)):
        return "positive"
    if answer[:4] == bytes((NEGATIVE, 0, 0, 1)) and len(answer) == 5:
        return "negative"
    raise MalformedReply(f"message of type {answer[0]} where the answer to a session request was due")


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
    ports = [p for p in (PORT, SESSION_PORT) if (heard := asked.heard.get(p)) and heard.waits]
    ports = [port for port in ports if asked.line.speaks(port, "smb")]
    if not ports:
        return
    await packets.ready()
    questions: tuple[tuple[str, bytes, Decode], ...] = (
        ("2", packets.encode_smb2(secrets.token_bytes(32)), packets.decode_smb2),
        ("1", packets.encode_smb1(), packets.decode_smb1),
    )
    for port in ports:
        for version, message, decode in questions:
            with asked.trying("smb", (SmbNegotiation,), port):
                yield await negotiate(asked.line, version, message, decode, port)


PROBE = Probe(name="smb", produces=(SmbNegotiation,), ask=_ask)
