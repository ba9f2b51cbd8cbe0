"""Ask a web server for the pages that a baseline names beside the first one: settings pages and a scan service's
capabilities. One GET each, and nothing that a page leads to."""

from __future__ import annotations

import re
import secrets
from collections.abc import AsyncIterator, Sequence
from ssl import SSLContext
from typing import Any

from hardenprobe.facts import ControlPageAnswer, DnsSdText, HttpAnswer, ScanServiceAnswer, SettingsPageAnswer
from hardenprobe.model import Observation
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.web.http import IPP, fetch, lenient_context
from hardenprobe.probes.web.page import look_at
from hardenprobe.scope.web_paths import SettingsPage

# The root of the document that driverless scan services give, whichever its namespace prefix; common practice (no published requirement).
_ROOT = re.compile(r"/?(?:[A-Za-z0-9._~-]{1,32}/){0,4}[A-Za-z0-9._~-]{0,32}", re.ASCII)
MOST_ROOTS = 2  # that records name and that are asked for; a device has one scan service, over TLS or not
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


async def ask_control_page(
    line: DeviceLink, port: int, pages: Sequence[SettingsPage], tls: SSLContext | None
) -> Observation[ControlPageAnswer]:
    """GET a path that cannot exist, and look for the markers of pages."""
    path = f"/{secrets.token_hex(12)}"
    found = await fetch(line, port, path, tls=tls)
    facts = ControlPageAnswer(
        tls=tls is not None,
        path=path,
        status=found.status,
        markers=tuple(page.marker for page in pages if page.marker.encode() in found.body),
        password_field=look_at(found.body).password_field,
        fault=found.fault,
    )
    where = line.endpoint(port, protocol="https" if tls else "http", path=path)
    return line.observation(facts, where, found.recorder)


def capabilities_path(root: str) -> str | None:
    """Where the scan service of a DNS-SD record tells its capabilities; None for a root that is no plain path.

    Args:
        root: Value of the key "rs", device text; common practice (no published requirement).
    """
    if not _ROOT.fullmatch(root) or ".." in root:
        return None
    return "/".join(("", *root.strip("/").split("/"), "ScannerCapabilities")).replace("//", "/")


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
    roots = [one.facts.scan_root for one in asked.of(DnsSdText) if one.facts.scan_root is not None]
    told = [path for root in roots if (path := capabilities_path(root))][:MOST_ROOTS]
    ports: dict[int, bool] = {}
    for served in asked.of(HttpAnswer):
        where, status = served.endpoint, served.facts.status
        # On the port of IPP a page of its own must have come.
        if where and status is not None and (where.port != IPP or status < 300 or status == 401):
            ports[where.port] = served.facts.tls
    for port, over_tls in ports.items():
        tls = lenient_context() if over_tls else None
        pages = paths.settings_pages if asked.wants(SettingsPageAnswer) else ()
        telling = False
        for page in pages:
            with asked.trying("web", (SettingsPageAnswer,), port):
                seen = await ask_settings_page(asked.line, port, page, tls)
                yield seen
                telling = telling or seen.facts.marker_found or seen.facts.password_field
        if telling:  # what is refused outright needs no control
            with asked.trying("web", (ControlPageAnswer,), port):
                yield await ask_control_page(asked.line, port, pages, tls)
        for path in dict.fromkeys((*told, *paths.scan)) if asked.wants(ScanServiceAnswer) else ():
            with asked.trying("web", (ScanServiceAnswer,), port):
                yield await ask_scan_service(asked.line, port, path, tls)


PROBE = Probe(name="web", produces=(SettingsPageAnswer, ControlPageAnswer, ScanServiceAnswer), ask=_ask)
