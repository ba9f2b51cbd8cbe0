"""Ask a mail server what it offers before TLS: one EHLO, and good-bye; nothing is mailed, and nobody signs in."""

from __future__ import annotations

import asyncio

from hardenprobe.errors import MalformedReply, Unreachable
from hardenprobe.facts import MailServer, readable
from hardenprobe.model import Observation
from hardenprobe.network.link import DeviceLink
from hardenprobe.network.stream import Stream
from hardenprobe.probes.question import greeting_question

LIMIT = 8192  # octets of a reply; RFC 5321 section 4.5.3.1.5 gives a line 512, and a server has some twenty
MOST = 32  # extensions that are kept


async def ask_extensions(line: DeviceLink, port: int) -> Observation[MailServer]:
    """Greet a server, and read what it offers in clear."""
    async with await line.connect(port) as stream:
        facts = MailServer()
        try:
            greeting = await _reply(stream)
            if greeting[:3] == b"220":
                await stream.send(b"EHLO localhost\r\n", "smtp")
                facts = read(await _reply(stream))
                await stream.send(b"QUIT\r\n", "smtp")
            else:
                facts = MailServer(fault="it takes no mail now")
        except (Unreachable, MalformedReply, TimeoutError) as exc:
            state = exc.state if isinstance(exc, Unreachable) else str(exc) or "silent"
            facts = facts if facts.extensions else MailServer(fault=state)
        return line.observation(facts, line.endpoint(port, protocol="smtp"), stream.recorder)


def read(reply: bytes) -> MailServer:
    """Reduce a reply to EHLO to facts (RFC 5321 section 4.1.1.1, RFC 4954 section 3).

    Raises:
        MalformedReply: It is a refusal.

    >>> read(b"250-mail.example\\r\\n250-STARTTLS\\r\\n250 AUTH PLAIN LOGIN\\r\\n").mechanisms
    ('LOGIN', 'PLAIN')
    """
    lines = reply.split(b"\r\n")
    if not lines[0].startswith(b"250"):
        raise MalformedReply("EHLO is refused")
    # Some servers write AUTH=, as drafts of RFC 2554 had it.
    words = [
        readable(one[4:], 512).upper().replace("=", " ").split() for one in lines[1:] if one[:3] == b"250"
    ]
    mechanisms = {name for one in words if one[:1] == ["AUTH"] for name in one[1:]}
    return MailServer(
        greeted=True,
        extensions=tuple(sorted({one[0] for one in words if one}))[:MOST],
        mechanisms=tuple(sorted(mechanisms))[:MOST],
    )


async def _reply(stream: Stream) -> bytes:
    """One whole reply, of one line or many.

    Raises:
        TimeoutError: It does not come whole in time.
        MalformedReply: It is longer than any.
        Unreachable: The server leaves.
    """
    data = b""
    async with asyncio.timeout(stream.line.timing.reply):
        while True:
            piece = await stream.receive(LIMIT)
            data += piece
            if not piece:
                raise Unreachable("SMTP: closed in the middle", "closed")
            if len(data) > LIMIT:
                raise MalformedReply("SMTP: a reply without an end")
            last = data.removesuffix(b"\r\n").rsplit(b"\r\n", 1)[-1]
            if data.endswith(b"\r\n") and last[3:4] != b"-":
                return data


PROBE = greeting_question("mail", "smtp", MailServer, ask_extensions)
