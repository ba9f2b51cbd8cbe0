"""Ask an SNMP agent one bulk question, to see how many bytes answer how many."""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator
from typing import Any

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import SnmpBulk
from hardenprobe.model import Observation, Reach, State
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.snmp import pdu
from hardenprobe.probes.snmp.agent import PORT
from hardenprobe.probes.snmp.objects import best_default
from hardenprobe.probes.snmp.response import decode

SYSTEM = "1.3.6.1.2.1.1"  # RFC 3418; every agent has it
REPETITIONS = 10


async def ask_bulk(line: DeviceLink, community: bytes, label: str, origin: str) -> Observation[SnmpBulk]:
    """One GetBulk, sent once."""
    number = secrets.randbelow(2**31 - 1) + 1
    request = pdu.encode_bulk(community, SYSTEM, REPETITIONS, number)
    hidden = [community] if origin == "supplied" else []
    answer = await line.ask(PORT, request, secrets=hidden, tries=1, wait=line.timing.greeting)
    bindings = fault = None
    if answer.data:
        try:
            response = decode("2c", answer.data, number)
        except MalformedReply as exc:
            fault = str(exc)
        else:
            bindings = len(response.bindings)
            for binding in response.bindings:
                if binding and binding.oid == pdu.SYS_CONTACT:
                    answer.recorder.forget(binding.octets or b"")
    if fault:  # what cannot be read may hold text about people
        answer.recorder.exchanges = [e for e in answer.recorder.exchanges if e.direction == "sent"]
    facts = SnmpBulk(
        label=label,
        origin=origin,
        state=State(answer.state),
        repetitions=REPETITIONS,
        sent=len(request),
        received=len(answer.data),
        bindings=bindings,
        fault=fault,
    )
    return line.observation(facts, line.endpoint(PORT, "udp", "snmp"), answer.recorder)


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
    answered = best_default(asked)
    if answered is not None and answered.facts.version == "2c":
        label = answered.facts.label
        yield await ask_bulk(asked.line, label.encode(), label, "default")


PROBE = Probe(
    name="snmp-bulk",
    produces=(SnmpBulk,),
    ask=_ask,
    place=("udp", PORT),
    reach=Reach.STRAIN,
    grants=("snmp-amplification",),
)
