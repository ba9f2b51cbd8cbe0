"""Ask an SNMP agent: v1 and v2c under the published default communities, v3 by engine discovery.

pysnmp's codecs write the messages; the datagrams go through Link. Nothing is ever set.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import AsyncIterator
from typing import Any

from pyasn1.codec.ber import encoder
from pysnmp.proto.mpmod.rfc3412 import SNMPv3Message
from pysnmp.proto.secmod.rfc3414.service import UsmSecurityParameters

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import SnmpAnswer, SnmpEngine, readable
from hardenprobe.facts.snmp import HR_DEVICE_DESCR, PRT_SERIAL, SYS_DESCR, SYS_NAME, SYS_OBJECT_ID
from hardenprobe.model import Observation, State
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.snmp import pdu, response
from hardenprobe.probes.snmp.message import Message
from hardenprobe.probes.snmp.response import VERSIONS

PORT = 161  # IANA
IDENTITY = (SYS_DESCR, SYS_OBJECT_ID, SYS_NAME, HR_DEVICE_DESCR, PRT_SERIAL)

LEAST, UNKNOWN = 0.3, 0.4  # seconds; the latter as long as nothing of the device has answered
NO_SUCH_NAME = 2  # error-status of v1, RFC 1157 section 4.1.2


def decode_response(version: str, data: bytes, request_id: int) -> tuple[int, dict[str, str]]:
    """Read a Response to our request.

    Returns:
        error-status, and object id to value for what the view held.

    Raises:
        MalformedReply: No BER, no response, or the answer to another question.
    """
    found = response.decode(version, data, request_id)
    return found.status, {one.oid: _text(one) for one in found.bindings if one}


def _text(value: response.Binding) -> str:
    if value.octets is not None:
        return readable(value.octets, 256)
    return str(value.number) if value.object_id is None else value.object_id[:256]


def encode_discovery(message_id: int) -> bytes:
    """Write an engine discovery: a reportable Get with no engine, no user and no security.

    Source: RFC 3414 section 4; RFC 3412 section 6.

    >>> encode_discovery(1).hex()[:32]
    '3038020103300e020101020300ffe304'
    """
    message = SNMPv3Message()
    message.setComponentByPosition(0, 3)
    header = message.setComponentByPosition(1).getComponentByPosition(1)
    for i, value in enumerate((message_id, 65507, b"\x04", 3)):
        header.setComponentByPosition(i, value)
    security = UsmSecurityParameters()
    for i, empty in enumerate((b"", 0, 0, b"", b"", b"")):
        security.setComponentByPosition(i, empty)
    message.setComponentByPosition(2, encoder.encode(security))
    scoped = message.setComponentByPosition(3).getComponentByPosition(3)
    plain = scoped.setComponentByPosition(0).getComponentByPosition(0)
    plain.setComponentByPosition(0, b"")
    plain.setComponentByPosition(1, b"")
    request = pdu.request_pdu("3", "get", (), message_id)
    plain.setComponentByPosition(2).getComponentByPosition(2).setComponentByType(request.tagSet, request)
    return bytes(encoder.encode(message))


def decode_discovery(data: bytes, message_id: int) -> SnmpEngine:
    """Read the report that answers a discovery.

    Raises:
        MalformedReply: No BER, no SNMPv3, or the answer to another question.

    Source: RFC 3414 section 4; RFC 3412 section 6.
    """

    message = Message(data, message_id)
    _, _, report = response.pdu(message.scoped())
    return SnmpEngine(
        state=State.ACCEPTING,
        engine_id=message.engine_id[:64].hex(),
        boots=message.boots,
        time=message.time,
        report=report.first_name,
    )


async def ask_community(
    line: DeviceLink,
    version: str,
    community: str,
    *,
    origin: str,
    label: str | None = None,
    oids: tuple[str, ...] = IDENTITY,
) -> Observation[SnmpAnswer]:
    """Ask for what identifies the device, under one community.

    Args:
        origin: "default" for a published default, "supplied", or "control" for a random community.
        label: What a report may call the community; itself by default. A supplied one is starred in the transcript.
    """
    request_id = secrets.randbelow(2**31 - 1) + 1
    name = community.encode()
    answer = await line.ask(
        PORT,
        pdu.encode(version, name, "get", oids, request_id),
        secrets=[name] if origin == "supplied" else [],
        wait=patience(line),
    )
    status = values = fault = None
    if answer.data:
        try:
            status, values = decode_response(version, answer.data, request_id)
        except MalformedReply as exc:
            fault = str(exc)
    facts = SnmpAnswer(
        version=version,
        label=label or community,
        origin=origin,
        state=State(answer.state),
        error_status=status,
        values=values,
        fault=fault,
    )
    return line.observation(facts, line.endpoint(PORT, "udp", "snmp"), answer.recorder)


async def discover_engine(line: DeviceLink) -> Observation[SnmpEngine]:
    """Ask whether an SNMPv3 engine lives here. Needs no secret."""
    message_id = secrets.randbelow(2**31 - 1) + 1
    answer = await line.ask(PORT, encode_discovery(message_id), wait=patience(line))
    facts = SnmpEngine(state=State(answer.state))
    if answer.data:
        try:
            facts = decode_discovery(answer.data, message_id)
        except MalformedReply as exc:
            facts = SnmpEngine(state=State.ACCEPTING, fault=str(exc))
    return line.observation(facts, line.endpoint(PORT, "udp", "snmp"), answer.recorder)


def patience(line: DeviceLink) -> float:
    """Seconds for an answer to each sending of a question; an agent may need some by itself, however near it is."""
    return line.round_trip.wait(LEAST, line.timing.greeting, unknown=UNKNOWN)


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
    """An engine discovery, then each version under each published default; all of it at once where nothing has answered yet.

    Stops at an unreachable port. Where a default is answered, asks once more with a random community, so that an agent
    that answers anything is known for what it is.
    """
    if PORT not in asked.plan.udp_ports:
        return
    line = asked.line
    defaults = [(version, community) for community in asked.plan.communities for version in VERSIONS]
    answered = False
    if line.round_trip.timeout is None:
        async with line.side_by_side():
            questions = [ask_community(line, *one, origin="default") for one in defaults]
            seen = await asyncio.gather(discover_engine(line), *questions, return_exceptions=True)
        for one in seen:
            if isinstance(one, BaseException):
                raise one
            yield one
            answered = answered or getattr(one.facts, "error_status", None) is not None
    else:
        engine = await discover_engine(line)
        yield engine
        if engine.facts.state is State.REFUSING:
            return
        for version, community in defaults:
            answer = await ask_community(line, version, community, origin="default")
            yield answer
            if answer.facts.state is State.REFUSING:
                return
            answered = answered or answer.facts.error_status is not None
    if answered:
        control = secrets.token_hex(8)
        for version in VERSIONS:
            yield await ask_community(line, version, control, origin="control", label="a random community")


PROBE = Probe(name="snmp", produces=(SnmpAnswer, SnmpEngine), ask=_ask, place=("udp", PORT))
