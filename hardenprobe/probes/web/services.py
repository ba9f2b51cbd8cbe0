"""Ask the port of web services for devices whether it speaks HTTP: one GET, and nothing that it has."""

from __future__ import annotations

from collections.abc import AsyncIterator

from hardenprobe.facts import WebServices
from hardenprobe.model import Observation
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.web.http import fetch

PORT = 5357  # IANA: wsdapi
WORD = "web-services"  # its pages are not the settings pages, so the web probes leave it alone


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[WebServices]]:
    heard = asked.heard.get(PORT)
    if not (heard and heard.waits and asked.line.speaks(PORT, WORD)):
        return
    with asked.trying("web-services", (WebServices,)):
        found = await fetch(asked.line, PORT, "/", word=WORD)
        facts = WebServices(status=found.status, fault=found.fault)
        yield asked.line.observation(facts, asked.line.endpoint(PORT, protocol="http"), found.recorder)


PROBE = Probe(name="web-services", produces=(WebServices,), ask=_ask)
