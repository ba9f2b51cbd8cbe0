"""Ask a device's time service the queries that are not for the time: control (mode 6) and private (mode 7)."""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator
from functools import partial

from hardenprobe.facts import NtpControlAnswer
from hardenprobe.model import Observation, State
from hardenprobe.probes import packets
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.discovery import datagrams

PORT = 123  # IANA
QUESTIONS = {6: "mode 6, read the system variables", 7: "mode 7, list the peers"}


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[NtpControlAnswer]]:
    if PORT not in asked.plan.udp_ports:
        return
    await packets.ready()
    for mode, words in QUESTIONS.items():
        sequence = secrets.randbelow(0xFFFF) + 1
        seen, _ = await datagrams.ask(
            asked.line,
            partial(NtpControlAnswer, mode=mode),
            PORT,
            "ntp",
            words,
            packets.encode_ntp(mode, sequence),
            partial(packets.decode_ntp, mode=mode, sequence=sequence),
        )
        yield seen
        if seen.facts.state is State.REFUSING:
            return


PROBE = Probe(name="ntp", produces=(NtpControlAnswer,), ask=_ask, place=("udp", PORT))
