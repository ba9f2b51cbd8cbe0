"""Ask an FTP server whether it takes a user name in clear: one USER with a random name, never a PASS."""

from __future__ import annotations

import asyncio
import re
import secrets

from hardenprobe.errors import Unreachable
from hardenprobe.facts import FtpSession, readable
from hardenprobe.model import Observation
from hardenprobe.network.link import DeviceLink
from hardenprobe.network.stream import Stream
from hardenprobe.probes.question import greeting_question

LIMIT = 4096  # bytes of one reply; RFC 959 replies are lines, not pages
_LAST = re.compile(rb"(?m)^(\d{3}) [^\r\n]*\r?\n")


def reply(data: bytes) -> tuple[int, str] | None:
    """Read one reply, which may have many lines.

    Returns:
        Code and text, or None while the reply is not complete.

    Source: RFC 959 section 4.2.

    >>> reply(b"220-hello\\r\\n220 ready\\r\\n")
    (220, '220-hello\\r\\n220 ready')
    """
    end = reply_end(data)
    return (int(data[:3]), readable(data[:end].rstrip(b"\r\n"))) if end else None


def reply_end(data: bytes) -> int:
    """Where the first reply ends, 0 while it is not complete."""
    first = re.match(rb"(\d{3})([ -])", data)
    lines = _LAST.finditer(data) if first else ()
    return next((line.end() for line in lines if first and line[1] == first[1]), 0)


async def ask_user(line: DeviceLink, port: int) -> Observation[FtpSession]:
    """Read the greeting, send USER, read the reply, QUIT."""
    name = "u" + secrets.token_hex(6)  # a name that no account has
    async with await line.connect(port) as stream:
        greeting = await read_reply(stream, line.timing.greeting * 3)
        user = None
        if greeting and greeting[0] == 220:
            try:
                await stream.send(f"USER {name}\r\n".encode(), "ftp")
                user = await read_reply(stream, line.timing.reply)
                await stream.send(b"QUIT\r\n", "ftp")
            except Unreachable:
                pass  # it hung up: what was heard until then is the observation
        facts = FtpSession(
            greeting_code=greeting[0] if greeting else None,
            greeting_text=greeting[1] if greeting else "",
            user_code=user[0] if user else None,
            user_text=user[1] if user else "",
            asked=bool(greeting and greeting[0] == 220),
        )
        return line.observation(facts, line.endpoint(port, protocol="ftp"), stream.recorder)


async def read_reply(stream: Stream, wait: float) -> tuple[int, str] | None:
    """Read one whole reply within `wait` seconds; None where none came."""
    data = b""
    clock = asyncio.get_running_loop().time
    until = clock() + wait
    while len(data) < LIMIT:
        try:
            piece = await stream.receive(LIMIT - len(data), max(0.0, until - clock()))
        except Unreachable:
            return None
        if not piece:
            return None
        data += piece
        if found := reply(data):
            return found
    return None


PROBE = greeting_question("ftp", "ftp", FtpSession, ask_user)
