"""Ask a web server for the pages that a baseline names beside the first one: settings pages and a scan service's
capabilities. One GET each, and nothing that a page leads to."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from ssl import SSLContext
from typing import Any

from hardenprobe.facts import HttpAnswer, ScanServiceAnswer, SettingsPageAnswer
from hardenprobe.model import Observation
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.web.http import IPP, fetch, lenient_context
from hardenprobe.probes.web.page import look_at
from hardenprobe.scope.web_paths import SettingsPage

# The root of the document that driverless scan services give, whichever its namespace prefix; common practice, no source.
_CAPABILITIES = re.compile(rb"<(?:[A-Za-z0-9_.-]{1,32}:)?ScannerCapabilities[\s/>]")


async def ask_settings_page(
    line: DeviceLink, port: int, page: SettingsPage, tls: SSLContext | None
) -> Observation[SettingsPageAnswer]:
    """GET one page of settings and look for its marker."""
    found = await fetch(line, port, page.path, tls=tls)
    facts = SettingsPageAnswer(
        tls=tls is not None,
        path=page.path,
        marker=page.marker,
        status=found.status,
        marker_found=page.marker.encode() in found.body,
        password_field=look_at(found.body).password_field,
        location=found.first("location"),
        authenticate=found.challenges,
        cut=found.cut,
        fault=found.fault,
    )
    where = line.endpoint(port, protocol="https" if tls else "http", path=page.path)
    return line.observation(facts, where, found.recorder)


async def ask_scan_service(
    line: DeviceLink, port: int, path: str, tls: SSLContext | None
) -> Observation[ScanServiceAnswer]:
    """GET the capabilities; a scan is never begun."""
    found = await fetch(line, port, path, tls=tls)
    facts = ScanServiceAnswer(
        tls=tls is not None,
        path=path,
        status=found.status,
        capabilities=found.status == 200 and _CAPABILITIES.search(found.body[:4096]) is not None,
        location=found.first("location"),
        cut=found.cut,
        fault=found.fault,
    )
    where = line.endpoint(port, protocol="https" if tls else "http", path=path)
    return line.observation(facts, where, found.recorder)


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
    """On every port that served a page, over whichever of TLS and clear text it did."""
    paths = asked.plan.web
    ports: dict[int, bool] = {}
    for seen in asked.of(HttpAnswer):
        status = seen.facts.status
        # On the port of IPP a page of its own must have come.
        if (
            seen.endpoint
            and status is not None
            and (seen.endpoint.port != IPP or status < 300 or status == 401)
        ):
            ports[seen.endpoint.port] = seen.facts.tls
    for port, over_tls in ports.items():
        tls = lenient_context() if over_tls else None
        for page in paths.settings_pages if asked.wants(SettingsPageAnswer) else ():
            with asked.trying("web", (SettingsPageAnswer,), port):
                yield await ask_settings_page(asked.line, port, page, tls)
        for path in paths.scan if asked.wants(ScanServiceAnswer) else ():
            with asked.trying("web", (ScanServiceAnswer,), port):
                yield await ask_scan_service(asked.line, port, path, tls)


PROBE = Probe(name="web", produces=(SettingsPageAnswer, ScanServiceAnswer), ask=_ask)
