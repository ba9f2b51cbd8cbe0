"""Sign in to an FTP server as anonymous, and leave at once: the one login that is ever made.

The password is the contact address of the person responsible for the scan, as RFC 1635 asks. Nothing is listed or fetched.
"""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Iterable

from hardenprobe.errors import Unreachable
from hardenprobe.facts import FtpAnonymous
from hardenprobe.model import Observation
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.files.ftp import read_reply

_MAIL = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9-]{1,63}(?:\.[A-Za-z0-9-]{1,63}){1,8}")


def contact(lines: Iterable[str]) -> str | None:
    """The first mail address among a scope's contacts.

    >>> contact(["Night desk, ext. 12", "Network team <net@port.example>"])
    'net@port.example'
    """
    return next((found[0] for line in lines if (found := _MAIL.search(line))), None)


async def sign_in(line: DeviceLink, port: int, address: str) -> Observation[FtpAnonymous]:
    """USER anonymous, PASS with the address where one is asked for, QUIT."""
    async with await line.connect(port) as stream:
        greeting = await read_reply(stream, line.timing.greeting * 3)
        user = password = None
        if greeting and greeting[0] == 220:
            try:
                await stream.send(b"USER anonymous\r\n", "ftp")
                user = await read_reply(stream, line.timing.reply)
                if user and user[0] == 331:
                    await stream.send(f"PASS {address}\r\n".encode("ascii"), "ftp")
                    password = await read_reply(stream, line.timing.reply)
                await stream.send(b"QUIT\r\n", "ftp")
            except Unreachable:
                pass  # it hung up: what was heard until then is the observation
        last = password or user
        facts = FtpAnonymous(
            asked=True,
            user_code=user[0] if user else None,
            pass_code=password[0] if password else None,
            text=last[1] if last else "",
        )
        return line.observation(facts, line.endpoint(port, protocol="ftp"), stream.recorder)


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[FtpAnonymous]]:
    scope = asked.plan.scope
    address = contact((*scope.contacts, *scope.abort))
    for heard in asked.accepting():
        if heard.seen.facts.speaks != "ftp" or not asked.line.speaks(heard.port, "ftp"):
            continue
        if address is None:
            where = asked.line.endpoint(heard.port, protocol="ftp")
            yield asked.line.observation(FtpAnonymous(asked=False), where)
            continue
        with asked.trying("ftp-anonymous", (FtpAnonymous,), heard.port):
            yield await sign_in(asked.line, heard.port, address)


PROBE = Probe(name="ftp-anonymous", produces=(FtpAnonymous,), ask=_ask)
