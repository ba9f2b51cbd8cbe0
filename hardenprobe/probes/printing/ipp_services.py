"""Ask for IPP services other than printing: one request for attributes each, at the path that their standard assigns.

Where a scan service sends to is starred in the transcript and counted by scheme.

Source: PWG 5100.15 (IPP FaxOut), PWG 5100.17 (IPP Scan), PWG 5100.22 (IPP System), by the tests of conformance and the
registrations that the Printer Working Group publishes for them; RFC 7472 for the paths.
"""

from __future__ import annotations

import re
import secrets
from collections import Counter
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from ssl import SSLContext
from typing import Any

from hardenprobe.facts import IppPrinter, IppService
from hardenprobe.model import Observation
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.printing.ipp import message_of, places, uri
from hardenprobe.probes.printing.ipp_codec import (
    MEDIA_TYPE,
    Group,
    Operation,
    Tag,
    Value,
    encode_request,
    texts,
)
from hardenprobe.probes.web.http import fetch, lenient_context

SCHEMES, READY = "destination-uri-schemes-supported", "destination-uri-ready"
FEATURES, TYPE = "ipp-features-supported", "printer-service-type"
MOST_SCHEMES = 32


@dataclass(frozen=True, kw_only=True)
class Service:
    """A service, and by what its answer is told from that of a print service.

    Attributes:
        word: In ipp-features-supported or printer-service-type.
        own: Attributes that tell it from a print service, where neither of those names a service.
    """

    name: str
    path: str
    word: str
    own: tuple[str, ...]
    operation: Operation = Operation.GET_PRINTER_ATTRIBUTES
    group: Group = Group.PRINTER
    target: str = "printer-uri"


SERVICES = (
    Service(name="fax out", path="/ipp/faxout", word="faxout", own=("cover-sheet-info-supported",)),
    Service(
        name="scan",
        path="/ipp/scan",
        word="scan",
        own=("input-attributes-supported", "input-source-supported"),
    ),
    Service(
        name="system",
        path="/ipp/system",
        word="system-object",
        own=("system-state", "system-name"),
        operation=Operation.GET_SYSTEM_ATTRIBUTES,
        group=Group.SYSTEM,
        target="system-uri",
    ),
)
SERVICE_WORDS = {"print", *(service.word for service in SERVICES)}


async def ask_service(
    line: DeviceLink, port: int, service: Service, tls: SSLContext | None
) -> Observation[IppService]:
    """Ask for a service's attributes, once."""
    wanted = (FEATURES, TYPE, *service.own, SCHEMES, READY)
    request = encode_request(
        service.operation,
        secrets.randbelow(2**31 - 1) + 1,
        uri(line, port, service.path, tls),
        [(Tag.KEYWORD, "requested-attributes", wanted)],
        target=service.target,
        version=(2, 0),
    )
    got = await fetch(line, port, service.path, tls=tls, post=(MEDIA_TYPE, request))
    message, fault = message_of(got, request)
    about: Mapping[str, tuple[Value, ...]] = next(iter(message.of(service.group)), {}) if message else {}
    destinations = texts(about, f"{READY}.destination-uri")
    got.recorder.rewrite_received(lambda received: _without(received, destinations))
    words = SERVICE_WORDS.intersection(
        word.lower() for word in (*texts(about, FEATURES), *texts(about, TYPE))
    )
    facts = IppService(
        service=service.name,
        tls=tls is not None,
        path=service.path,
        http_status=got.status,
        status=message.code if message else None,
        itself=service.word in words if words else not about.keys().isdisjoint(service.own),
        schemes=tuple(sorted({word.lower()[:64] for word in texts(about, SCHEMES)}))[:MOST_SCHEMES],
        destinations=dict(Counter(map(_scheme, destinations)).most_common(MOST_SCHEMES)),
        cut=got.cut,
        fault=fault,
    )
    where = line.endpoint(port, protocol="ipps" if tls else "ipp", path=service.path)
    return line.observation(facts, where, got.recorder)


def _without(received: bytes, destinations: tuple[str, ...]) -> bytes:
    for text in destinations:
        received = received.replace(text.encode(), b"*" * len(text.encode()))
    return received


def _scheme(destination: str) -> str:
    """The scheme of an address (RFC 3986 section 3.1); "" where it has none."""
    found = re.match(r"([a-z][a-z0-9+.-]{0,31}):", destination.lower())
    return found[1] if found else ""


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
    """Where IPP is assigned or spoken, over TLS where that is spoken; each port once."""
    spoken = {o.endpoint.port for o in asked.of(IppPrinter) if o.endpoint and o.facts.status is not None}
    done: set[int] = set()
    for port, over_tls, assigned in places(asked):
        if port in done or not (assigned or port in spoken):
            continue
        done.add(port)
        tls = lenient_context() if over_tls else None
        for service in SERVICES:
            with asked.trying("ipp-services", (IppService,), port):
                seen = await ask_service(asked.line, port, service, tls)
                yield seen
                if seen.facts.http_status is None:  # it speaks no HTTP now, and is left alone
                    break


PROBE = Probe(name="ipp-services", produces=(IppService,), ask=_ask)
