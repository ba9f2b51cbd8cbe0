"""Ask a TFTP server for a file that does not exist. Its reply comes from a new port, and is never acknowledged."""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator

from hardenprobe.facts import TftpAnswer
from hardenprobe.model import Observation
from hardenprobe.probes import packets
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.discovery import datagrams

PORT = 69  # IANA


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[TftpAnswer]]:
    if PORT not in asked.plan.udp_ports:
        return
    await packets.ready()
    question = packets.encode_read_request("f" + secrets.token_hex(6))
    seen, _ = await datagrams.ask(
        asked.line,
        TftpAnswer,
        PORT,
        "tftp",
        "read a random name",
        question,
        packets.decode_tftp,
        any_port=True,
    )
    yield seen


PROBE = Probe(name="tftp", produces=(TftpAnswer,), ask=_ask, place=("udp", PORT))
