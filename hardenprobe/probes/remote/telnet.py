"""Take a telnet greeting apart. Negotiation is never answered, so the login never comes further than its prompt."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator

from hardenprobe.facts import TelnetGreeting, readable
from hardenprobe.model import Observation, Reach
from hardenprobe.probes.base import Probe, ProbeContext

IAC, SE, SB, WILL, DONT, NOP = 255, 240, 250, 251, 254, 241  # RFC 854, TELNET COMMAND STRUCTURE
_NOISE = re.compile(rb"[\x01-\x06\x0e-\x1a\x1c-\x1f\x7f]")  # what RFC 854 has no printer do anything with
_PROMPT = re.compile(rb"(?:login|user ?name|password)\s*:", re.IGNORECASE)


def split(data: bytes) -> tuple[bool, bytes]:
    """Tell telnet commands from text.

    Commands that the read limit cut off are dropped, never an error.

    Returns:
        Whether there was a command, and the text without commands.

    Source: RFC 854, TELNET COMMAND STRUCTURE; RFC 855 (sub-negotiation).

    >>> split(bytes.fromhex("fffb01") + b"login: ")
    (True, b'login: ')
    """
    text = bytearray()
    negotiates = False
    at = 0
    while at < len(data):
        byte = data[at]
        if byte != IAC:
            text.append(byte)
            at += 1
            continue
        command = data[at + 1] if at + 1 < len(data) else None
        if command == IAC:
            text.append(IAC)  # a doubled IAC is the data byte 255
            at += 2
        elif command == SB:
            end = data.find(bytes((IAC, SE)), at + 2)
            negotiates = True
            at = len(data) if end < 0 else end + 2
        elif command is not None and WILL <= command <= DONT:
            negotiates = negotiates or at + 2 < len(data)
            at += 3
        elif command is not None and NOP <= command < SB:
            negotiates = True
            at += 2
        else:
            at += 2  # cut off, or no command of RFC 854
    return negotiates, bytes(text)


def speaks(greeting: bytes) -> bool:
    """Tell whether a greeting is telnet's: commands or a login prompt, and no noise before the first command.

    >>> speaks(bytes.fromhex("fffb01")), speaks(bytes.fromhex("8a02fffb01"))
    (True, False)
    """
    negotiates, text = split(greeting)
    noise = _NOISE.search(greeting.partition(bytes((IAC,)))[0])
    return bool((negotiates and not noise) or prompt(text))


def prompt(text: bytes) -> str | None:
    """Find a login prompt, as people would read it."""
    found = _PROMPT.search(text)
    return readable(found[0]) if found else None


def read(greeting: bytes) -> TelnetGreeting:
    """Turn a greeting into facts."""
    negotiates, text = split(greeting)
    return TelnetGreeting(negotiates=negotiates, text=readable(text), prompt=prompt(text))


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[TelnetGreeting]]:
    """Nothing is asked: the greeting that was heard proves both the port and the protocol."""
    for heard in asked.accepting():
        if heard.seen.facts.speaks == "telnet":
            with asked.trying("telnet", (TelnetGreeting,), heard.port):
                where = asked.line.endpoint(heard.port, protocol="telnet")
                yield asked.line.derived(read(heard.greeting), where, heard.seen)


PROBE = Probe(name="telnet", produces=(TelnetGreeting,), ask=_ask, reach=Reach.LOOK)
