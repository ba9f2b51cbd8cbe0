"""Ask a device for its NetBIOS names."""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator

from hardenprobe.facts import NetbiosAnswer
from hardenprobe.model import Observation
from hardenprobe.probes import packets
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.discovery import datagrams

PORT = 137  # IANA


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[NetbiosAnswer]]:
    if PORT not in asked.plan.udp_ports:
        return
    await packets.ready()
    ident = secrets.randbelow(0xFFFF) + 1

    def read(data: bytes) -> str:
        names = packets.decode_node_status(data, ident)
        return ", ".join(dict.fromkeys(names)) or "no name"

    question = packets.encode_node_status(ident)
    seen, _ = await datagrams.ask(asked.line, NetbiosAnswer, PORT, "netbios", "node status", question, read)
    yield seen


PROBE = Probe(name="netbios", produces=(NetbiosAnswer,), ask=_ask, place=("udp", PORT))
