"""Find out whether a community may write, by putting sysContact back as it was.

The only write in hardenprobe. The octets are those that were read a moment before, and they are read again at once. It
may write the device's flash, count as a change and raise traps; that is why it is reach alter.
"""

from __future__ import annotations

import logging
import secrets
from collections.abc import AsyncIterator
from dataclasses import replace
from typing import Any

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import SnmpAnswer, SnmpEngine, SnmpWriteBack
from hardenprobe.model import Observation, Reach, State
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.snmp import pdu
from hardenprobe.probes.snmp.agent import PORT
from hardenprobe.probes.snmp.pdu import LONGEST, SYS_CONTACT
from hardenprobe.probes.snmp.response import VERSIONS, Response, decode

log = logging.getLogger("hardenprobe.alter")


class _Talk:
    """One community under one version; keeps every exchange."""

    def __init__(self, line: DeviceLink, version: str, community: bytes, hide: bool) -> None:
        self.line, self.version, self.community = line, version, community
        self.hidden = [community] if hide else []
        self.recorders: list[Recorder] = []
        self.state = State.SILENT

    async def say(self, request: bytes, number: int, tries: int = 2) -> Response | None:
        answer = await self.line.ask(
            PORT, request, secrets=self.hidden, tries=tries, wait=self.line.timing.greeting
        )
        self.recorders.append(answer.recorder)
        self.state = State(answer.state)
        if not answer.data:
            return None
        try:
            return decode(self.version, answer.data, number)
        except MalformedReply:
            answer.recorder.exchanges = [e for e in answer.recorder.exchanges if e.direction == "sent"]
            return None

    async def contact(self) -> bytes | None:
        """The octets of sysContact, None where they cannot be read."""
        number = _number()
        request = pdu.encode(self.version, self.community, "get", (SYS_CONTACT,), number)
        got = await self.say(request, number)
        if got is None or got.status or not got.bindings or got.bindings[0] is None:
            return None
        return got.bindings[0].octets if got.bindings[0].oid == SYS_CONTACT else None


def _number() -> int:
    return secrets.randbelow(2**31 - 1) + 1


async def write_back(
    line: DeviceLink, version: str, community: bytes, label: str, origin: str
) -> Observation[SnmpWriteBack]:
    """Read sysContact, put it back, read it again."""
    talk = _Talk(line, version, community, origin == "supplied")
    before = await talk.contact()
    facts = SnmpWriteBack(version=version, label=label, origin=origin, state=talk.state)
    if before is not None and len(before) <= LONGEST:
        number = _number()
        log.warning("%s: sysContact is written back as it was, community %s", line.address, label)
        request = pdu.encode_write_back(version, community, before, number)
        answer = await talk.say(request, number, tries=1)
        after = await talk.contact()
        same = None if after is None else after == before
        log.warning(
            "%s: the write was answered with %s; sysContact reads %s",
            line.address,
            "nothing" if answer is None else f"error-status {answer.status}",
            {True: "as before", False: "differently", None: "nothing"}[same],
        )
        status = None if answer is None else answer.status
        facts = replace(facts, read=True, written=True, error_status=status, same=same, length=len(before))
        for recorder in talk.recorders:
            recorder.forget(before)
            recorder.forget(after or b"")
    return line.observation(facts, line.endpoint(PORT, "udp", "snmp"), *talk.recorders)


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
    """Each published default under the best version that reads; stops at the first that writes."""
    engines = asked.of(SnmpEngine)
    if PORT not in asked.plan.udp_ports or any(e.facts.state is State.REFUSING for e in engines):
        return
    for community in asked.plan.communities:
        for version in reversed(VERSIONS):
            known = [
                o
                for o in asked.of(SnmpAnswer)
                if (o.facts.label, o.facts.version, o.facts.origin) == (community, version, "default")
            ]
            if known and known[0].facts.error_status is None:
                continue  # it was asked already, and is not answered
            seen = await write_back(asked.line, version, community.encode(), community, "default")
            yield seen
            if seen.facts.error_status == 0:
                return
            if seen.facts.read:
                break


PROBE = Probe(
    name="snmp-write-back",
    produces=(SnmpWriteBack,),
    ask=_ask,
    place=("udp", PORT),
    reach=Reach.ALTER,
    grants=("snmp-default-community-write",),
)
