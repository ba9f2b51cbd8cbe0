"""Ask the small services of the early network, by one datagram each, whether they answer at all."""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator
from functools import partial

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import SmallServiceAnswer
from hardenprobe.model import Observation
from hardenprobe.model.kinds import readable
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.discovery import datagrams

# IANA: echo (RFC 862), daytime (RFC 867), qotd (RFC 865), chargen (RFC 864).
SERVICES = {7: "echo", 13: "daytime", 17: "quote", 19: "chargen"}
PORTS = tuple(SERVICES)
LENGTH = 8  # bytes; short, so that no answer is larger for want of a short question


def read(data: bytes, service: str, token: bytes) -> str:
    """Say what an answer is.

    Raises:
        MalformedReply: It is not what the service says: an echo is our own bytes, the others never are.

    >>> read(b"12345678", "echo", b"12345678"), read(b"Tuesday", "daytime", b"12345678")
    ('8 bytes, those that were sent', '7 bytes of text')
    """
    echoed = data == token
    if echoed != (service == "echo"):
        raise MalformedReply(f"a reply that no {service} service gives")
    if echoed:
        return f"{len(data)} bytes, those that were sent"
    if not data or not data.isascii() or not readable(data, 32).strip():
        raise MalformedReply(f"a reply that no {service} service gives")
    return f"{len(data)} bytes of text"


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[SmallServiceAnswer]]:
    for port, service in SERVICES.items():
        if port not in asked.plan.udp_ports:
            continue
        token = secrets.token_hex(LENGTH // 2).encode()
        seen, _ = await datagrams.ask(
            asked.line,
            partial(SmallServiceAnswer, service=service),
            port,
            service,
            f"{service}, {LENGTH} bytes",
            token,
            partial(read, service=service, token=token),
        )
        yield seen


PROBE = Probe(name="small-services", produces=(SmallServiceAnswer,), ask=_ask)
