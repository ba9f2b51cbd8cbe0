"""The TLS ports of one device: versions and certificates of all before suites of any, so that a ceiling cuts the dearer half."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Any

from hardenprobe.facts import HttpAnswer
from hardenprobe.facts_tls import TlsPort, TlsSuites
from hardenprobe.probe import Asked, Probe
from hardenprobe.probes.tls import Versions, ask_versions
from hardenprobe.probes.tls_talk import Talker
from hardenprobe.probes.tls_walk import ask_suites
from hardenprobe.records import Observation


async def _ask(asked: Asked) -> AsyncIterator[Observation[Any]]:
    line = asked.line
    found: list[Versions] = []
    for heard in asked.accepting():
        if not heard.waits or not line.speaks(heard.port, "tls"):
            continue
        with asked.trying("tls", (TlsPort,)):
            talker = Talker(line=line, port=heard.port)
            versions, facts = await ask_versions(talker, asked.anchors, "implicit")
            where = line.endpoint(heard.port, protocol="tls" if facts.speaks else None)
            yield line.observation(facts, where, *talker.recorders)
            if versions is not None:
                found.append(versions)
    for versions in found if asked.wants(TlsSuites) else ():
        with asked.trying("tls-suites", (TlsSuites,)):
            talker = versions.talker
            talker.recorders.clear()
            suites = await ask_suites(versions)
            yield line.observation(suites, line.endpoint(talker.port, protocol="tls"), *talker.recorders)


# HttpAnswer is not brought but needs to know where TLS is spoken.
PROBE = Probe(name="tls", produces=(TlsPort, TlsSuites, HttpAnswer), ask=_ask)
