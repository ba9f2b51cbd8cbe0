"""Probe a device over WS-Discovery, at its own address, in the standard's namespace and in the older draft's."""

from __future__ import annotations

import uuid
from collections.abc import AsyncIterator
from dataclasses import dataclass, replace
from functools import partial
from xml.etree.ElementTree import Element, ParseError

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import WsDiscoveryAnswer
from hardenprobe.model import Observation, State
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.discovery import datagrams

PORT = 3702  # IANA
# Seconds. A target may take APP_MAX_DELAY, 0.5 s, before it answers (WS-Discovery 1.1 section 3.1.3).
WAIT = 0.8
SIZE_CAP = 32767  # bytes; SOAP-over-UDP 1.1, section 4: MAX_ENVELOPE_SIZE
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")
SOAP = "http://www.w3.org/2003/05/soap-envelope"


@dataclass(frozen=True)
class Dialect:
    """The names of one version of WS-Discovery.

    Attributes:
        addressing: The WS-Addressing that goes with it.
        to: The address of everybody.
        types: XML that asks for targets of a type, "" for any.
    """

    name: str
    namespace: str
    addressing: str
    to: str
    types: str = ""


# Devices Profile for Web Services, February 2006: every device has this type, and some answer to nothing else.
_DEVICE = '<d:Types xmlns:wsdp="http://schemas.xmlsoap.org/ws/2006/02/devprof">wsdp:Device</d:Types>'
_DRAFT = Dialect(
    "WS-Discovery, draft of April 2005",
    "http://schemas.xmlsoap.org/ws/2005/04/discovery",
    "http://schemas.xmlsoap.org/ws/2004/08/addressing",
    "urn:schemas-xmlsoap-org:ws:2005:04:discovery",
)
DIALECTS = (
    Dialect(
        "WS-Discovery 1.1",
        "http://docs.oasis-open.org/ws-dd/ns/discovery/2009/01",
        "http://www.w3.org/2005/08/addressing",
        "urn:docs-oasis-open-org:ws-dd:ns:discovery:2009:01",
    ),
    _DRAFT,
    replace(_DRAFT, name=f"{_DRAFT.name}, devices", types=_DEVICE),
)


def encode_probe(dialect: Dialect, message_id: str) -> bytes:
    """Write a probe for whatever the dialect asks for.

    Args:
        message_id: "urn:uuid:..." (WS-Discovery 1.1 section 5.2).
    """
    return (
        '<?xml version="1.0" encoding="utf-8"?>'
        f'<s:Envelope xmlns:s="{SOAP}" xmlns:a="{dialect.addressing}" xmlns:d="{dialect.namespace}">'
        f"<s:Header><a:Action>{dialect.namespace}/Probe</a:Action><a:MessageID>{message_id}</a:MessageID>"
        f"<a:To>{dialect.to}</a:To></s:Header><s:Body><d:Probe>{dialect.types}</d:Probe></s:Body></s:Envelope>"
    ).encode()


def decode_matches(data: bytes, dialect: Dialect, message_id: str) -> tuple[str, ...]:
    """Read the types and transport addresses of a ProbeMatches message.

    Source: WS-Discovery 1.1 section 5.3.

    Raises:
        MalformedReply: No XML, XML that declares entities, no ProbeMatches, or the answer to another probe.
    """
    envelope = _envelope(data)
    related = envelope.findtext(f"{{{SOAP}}}Header/{{{dialect.addressing}}}RelatesTo", "").strip()
    if related != message_id:
        raise MalformedReply("WS-Discovery message that answers another probe, or none")
    matches = envelope.find(f"{{{SOAP}}}Body/{{{dialect.namespace}}}ProbeMatches")
    if matches is None:
        raise MalformedReply("WS-Discovery message without ProbeMatches")
    return tuple(_texts(matches, dialect))[:16]


def decode_announcement(data: bytes) -> tuple[str, ...]:
    """Read the types and transport addresses that a target tells, unasked or to somebody else.

    Source: WS-Discovery 1.1 sections 4.1 (Hello) and 5.3 (ProbeMatches).

    Raises:
        MalformedReply: No XML, XML that declares entities, or a message of another kind.
    """
    envelope = _envelope(data)
    for dialect in DIALECTS[:2]:
        body = f"{{{SOAP}}}Body/{{{dialect.namespace}}}"
        if (hello := envelope.find(f"{body}Hello")) is not None:
            return tuple(_told(hello, dialect))[:16]
        if (matches := envelope.find(f"{body}ProbeMatches")) is not None:
            return tuple(_texts(matches, dialect))[:16]
    raise MalformedReply("WS-Discovery message that tells of no target")


def _envelope(data: bytes) -> Element:
    from defusedxml.common import DefusedXmlException
    from defusedxml.ElementTree import XMLParser

    if len(data) > SIZE_CAP:
        raise MalformedReply(f"WS-Discovery reply of {len(data)} bytes")
    try:
        # XML 1.0 section 4.3.3. Python remembers every name of an encoding that it is asked for, so none is taken from here.
        parser = XMLParser(encoding="utf-16" if data[:2] in _UTF_16 else "utf-8", forbid_dtd=True)
        parser.feed(data)
        envelope: Element = parser.close()
    except (ParseError, DefusedXmlException, ValueError, LookupError) as exc:
        raise MalformedReply(f"WS-Discovery reply that cannot be read: {type(exc).__name__}") from exc
    return envelope


def _told(target: Element, dialect: Dialect) -> list[str]:
    parts = (target.findtext(f"{{{dialect.namespace}}}{name}", "") for name in ("Types", "XAddrs"))
    return [text[:200] for part in parts for text in part.split()[:4]]


def _texts(matches: Element, dialect: Dialect) -> list[str]:
    found = []
    for match in matches.findall(f"{{{dialect.namespace}}}ProbeMatch")[:4]:
        found += _told(match, dialect)
    return found


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[WsDiscoveryAnswer]]:
    """The standard's namespace first; the draft's where that brings no answer and the port is not unreachable.

    SOAP over UDP says where a reply goes, and not from which port it comes.
    """
    if PORT not in asked.plan.udp_ports:
        return
    for dialect in DIALECTS:
        message_id = uuid.uuid4().urn
        ask = partial(
            datagrams.ask,
            asked.line,
            WsDiscoveryAnswer,
            PORT,
            "ws-discovery",
            dialect.name,
            wait=WAIT,
            any_port=True,
        )

        def read(data: bytes, dialect: Dialect = dialect, message_id: str = message_id) -> str:
            return ", ".join(decode_matches(data, dialect, message_id)) or "no type"

        seen, _ = await ask(encode_probe(dialect, message_id), read)
        yield seen
        if seen.facts.answered or seen.facts.state is State.REFUSING:
            return


def _to_group(dialect: Dialect, _: str) -> datagrams.Question:
    message_id = uuid.uuid4().urn
    return datagrams.Question(
        words=dialect.name,
        message=encode_probe(dialect, message_id),
        read=lambda data: ", ".join(decode_matches(data, dialect, message_id)) or "no type",
    )


TO_GROUP = tuple(
    datagrams.GroupQuestion(
        service="ws-discovery",
        facts=WsDiscoveryAnswer,
        port=PORT,
        groups=("239.255.255.250", "ff02::c"),
        make=partial(_to_group, dialect),
    )
    for dialect in DIALECTS
)  # WS-Discovery 1.1 section 2.4
PROBE = Probe(
    name="ws-discovery", produces=(WsDiscoveryAnswer,), ask=_ask, place=("udp", PORT), to_groups=TO_GROUP
)
