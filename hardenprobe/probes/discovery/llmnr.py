"""Ask a device for its own name and address over LLMNR: over UDP, and over TCP where it listens."""

from __future__ import annotations

import asyncio
import re
import secrets
from collections.abc import AsyncIterator
from ipaddress import ip_address

from hardenprobe.errors import MalformedReply, Unreachable
from hardenprobe.facts import LlmnrAnswer, SnmpAnswer
from hardenprobe.facts.snmp import SYS_NAME
from hardenprobe.model import Observation, State
from hardenprobe.network.group import GroupLink
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes import dns, packets
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.discovery import datagrams

PORT = 5355  # IANA
_LABEL = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?")


def own_name(asked: ProbeContext) -> str | None:
    """The device's own host name, as the inventory or its SNMP agent states it; None where neither does."""
    stated = list(asked.listed.names) if asked.listed else []
    stated += [(o.facts.values or {}).get(SYS_NAME, "") for o in asked.of(SnmpAnswer)]
    for name in stated:
        label = name.split(".")[0].strip()
        if _LABEL.fullmatch(label):
            return label
    return None


def question_for(asked: ProbeContext) -> tuple[str, str]:
    """Name and type: the address of the device's own name, or without one the name of its own address."""
    ip = ip_address(asked.line.address)
    name = own_name(asked)
    return (name, "A" if ip.version == 4 else "ANY") if name else (ip.reverse_pointer, "PTR")


def told(data: bytes, ident: int) -> str:
    """Say what a response holds, in words.

    Raises:
        MalformedReply: As for `dns.decode`.
    """
    records = dns.decode(data, ident)
    return ", ".join(dict.fromkeys(r.data or r.name for r in records)) or "no record"


async def over_tcp(line: DeviceLink, name: str, kind: str) -> Observation[LlmnrAnswer]:
    """Ask over TCP, which is how a unicast question is meant to come (RFC 4795 section 2.4)."""
    ident = secrets.randbelow(0xFFFF) + 1
    message = packets.encode_llmnr(name, kind, ident)
    says = fault = None
    data = b""
    clock = asyncio.get_running_loop().time
    async with await line.connect(PORT) as stream:
        try:
            until = clock() + line.timing.reply
            await stream.send(len(message).to_bytes(2) + message, "llmnr")
            while len(data) < 2 or len(data) < 2 + int.from_bytes(data[:2]):
                piece = await stream.receive(wait=max(0.0, until - clock()))
                if not piece:
                    raise MalformedReply("LLMNR connection closed before a whole reply")
                data += piece
            says = told(data[2 : 2 + int.from_bytes(data[:2])], ident)
        except (MalformedReply, Unreachable) as exc:
            fault = str(exc)
        facts = LlmnrAnswer(
            question=f"{kind} {name}",
            state=State.ACCEPTING if data else State.SILENT,
            says=says,
            sent=len(message) + 2,
            received=len(data),
            fault=fault,
        )
        return line.observation(facts, line.endpoint(PORT, protocol="llmnr"), stream.recorder)


async def _of_the_group(
    asked: ProbeContext, link: GroupLink, name: str, kind: str
) -> Observation[LlmnrAnswer] | None:
    """Ask the group for one device's name: a question to the group names its device (RFC 4795 section 2)."""
    ident = secrets.randbelow(0xFFFF) + 1
    question = datagrams.Question(
        words=f"{kind} {name}",
        message=packets.encode_llmnr(name, kind, ident),
        read=lambda data: told(data, ident),
    )
    group = GROUP.groups[link.v6]
    answers = await link.ask(group, PORT, question.message, wait=GROUP.wait)
    asked.line.charge(answers.cost)
    reply = answers.by_address.get(asked.line.address)
    for one in link.same_device(asked.line.address, answers.link_local):
        reply = reply or answers.link_local[one]
    if not answers.cost.datagrams or (reply is None and link.v6 != (":" in asked.line.address)):
        return None  # silence at another family's group says nothing of this address
    return datagrams.read_reply(asked.line, GROUP, group, question, reply)


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[LlmnrAnswer]]:
    name, kind = question_for(asked)
    await packets.ready()
    if PORT in asked.plan.udp_ports:
        ident = secrets.randbelow(0xFFFF) + 1
        message = packets.encode_llmnr(name, kind, ident)
        seen, _ = await datagrams.ask(
            asked.line, LlmnrAnswer, PORT, "llmnr", f"{kind} {name}", message, lambda data: told(data, ident)
        )
        yield seen
    for link in asked.groups if PORT in asked.plan.udp_ports else ():
        of_group = await _of_the_group(asked, link, name, kind)
        if of_group is not None:
            yield of_group
    heard = asked.heard.get(PORT)
    if heard and heard.waits and asked.line.speaks(PORT, "llmnr"):
        with asked.trying("llmnr", (LlmnrAnswer,), PORT):
            yield await over_tcp(asked.line, name, kind)


GROUP = datagrams.GroupQuestion(
    service="llmnr", facts=LlmnrAnswer, port=PORT, groups=("224.0.0.252", "ff02::1:3"), wait=datagrams.WAIT
)  # RFC 4795 section 2.5
PROBE = Probe(name="llmnr", produces=(LlmnrAnswer,), ask=_ask, to_groups=(GROUP,))
