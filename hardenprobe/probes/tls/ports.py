"""The TLS ports of one device: versions and certificates of all, and only when everything else was asked the suites of any,
so that a ceiling cuts the dearest.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from typing import Any

from hardenprobe.facts import HttpAnswer, TlsFlaws, TlsPort, TlsSecondOpinion, TlsSuites
from hardenprobe.model import Observation, Reach
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.tls import classes
from hardenprobe.probes.tls.classes import ask_classes
from hardenprobe.probes.tls.exchange import Talker
from hardenprobe.probes.tls.flaws import ask_flaws
from hardenprobe.probes.tls.openings import OPENINGS
from hardenprobe.probes.tls.second_opinion import FLAWS, probe_flaws, probe_second_opinion
from hardenprobe.probes.tls.versions import Versions, ask_versions
from hardenprobe.probes.tls.walk import MOST, ask_suites
from hardenprobe.probes.web.http import IPP
from hardenprobe.scope.scope import SECOND_OPINION_GRANT

IMPLICIT = "implicit"


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
    for port, reached in _doors(asked):
        with asked.trying("tls", (TlsPort,), port):
            talker = _talker(asked, port, reached)
            if _by_classes(asked):
                talker.limit = classes.MOST
            versions, facts = await ask_versions(talker, asked.anchors, reached)
            yield asked.line.observation(
                facts,
                asked.line.endpoint(port, protocol=_spoken(reached) if facts.speaks else None),
                *talker.recorders,
            )
            if versions is not None:
                asked.notes(Versions).append(versions)


async def _ask_suites(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
    for versions in asked.notes(Versions):
        with asked.trying("tls-suites", (TlsSuites,), versions.talker.port):
            talker = versions.talker
            talker.recorders.clear()
            async with asked.line.turn.dear:
                spare = talker.connections + asked.line.spare("connections")
                talker.limit = spare if talker.limit is None else min(talker.limit, spare)
                suites = await (ask_classes(versions) if _by_classes(asked) else ask_suites(versions))
            where = asked.line.endpoint(talker.port, protocol=_spoken(versions.reached))
            yield asked.line.observation(suites, where, *talker.recorders)


def _doors(asked: ProbeContext) -> Iterator[tuple[int, str]]:
    """Every port that TLS may be spoken to, and what leads to it; IPP's HTTP upgrade only where TLS is not implicit."""
    line = asked.line
    for heard in asked.accepting():
        port, speaks = heard.port, heard.seen.facts.speaks
        if heard.waits and line.speaks(port, "tls"):
            yield port, IMPLICIT
            implicit = asked.at(TlsPort, port)
            if port == IPP and implicit and not implicit.facts.speaks and implicit.facts.fault == "not TLS":
                yield port, "http"
        elif heard.waits and line.speaks(port, "ldap"):
            yield port, "ldap"
        elif speaks in ("ftp", "smtp") and line.speaks(port, speaks):
            yield port, speaks


async def _strain(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
    """What only a scope that grants strain allows: messages that no healthy peer sends, and hundreds of connections."""
    for port in asked.of(TlsPort):
        if not port.facts.speaks or port.endpoint is None:
            continue
        where, reached = port.endpoint.port, port.facts.reached
        flaws = [flaw for flaw, check in FLAWS.items() if asked.plan.granted(check, Reach.STRAIN)]
        if flaws and asked.wants(TlsFlaws):
            with asked.trying("tls-flaws", (TlsFlaws,), where):
                yield await _flaws(asked, port.facts, where, flaws)
        if asked.plan.tls_second_opinion and asked.plan.granted(SECOND_OPINION_GRANT, Reach.STRAIN):
            with asked.trying("tls-second-opinion", (TlsSecondOpinion,), where):
                for seen in await probe_second_opinion(asked.line, where, reached=reached):
                    yield seen


async def _flaws(asked: ProbeContext, port: TlsPort, where: int, wanted: list[str]) -> Observation[TlsFlaws]:
    """Our own probes, with their transcripts, and what the other implementation says beside them."""
    talker = _talker(asked, where, port.reached)
    found = await ask_flaws(talker, port, wanted)
    [other] = await probe_flaws(asked.line, where, wanted, reached=port.reached)
    open_ones = [name for name in wanted if found[name][0] == "unknown"]
    states: dict[str, Any] = {name: state for name, (state, _) in found.items()}
    facts = TlsFlaws(
        reached=port.reached,
        how={name: how for name, (_, how) in found.items()},
        second={name: str(getattr(other.facts, name)) for name in wanted},
        unknown_why="inconclusive" if open_ones else None,
        connections=talker.connections + other.facts.connections,
        **states,
    )
    endpoint = asked.line.endpoint(where, protocol=_spoken(port.reached))
    return asked.line.observation(facts, endpoint, *talker.recorders)


def _talker(asked: ProbeContext, port: int, reached: str) -> Talker:
    """A port with very many suites is cut short, and says so, but where the scope grants the whole enumeration."""
    limit = None if asked.plan.granted(SECOND_OPINION_GRANT, Reach.STRAIN) else MOST
    if reached == IMPLICIT:
        return Talker(line=asked.line, port=port, limit=limit)
    return Talker(line=asked.line, port=port, word=reached, opening=OPENINGS[reached], limit=limit)


def _by_classes(asked: ProbeContext) -> bool:
    """Whether one suite of each class is enough here."""
    fragile = asked.listed is not None and asked.listed.fragile
    return asked.plan.tls_suites == "classes" or (fragile and asked.plan.tls_suites is None)


def _spoken(reached: str) -> str:
    return "tls" if reached == IMPLICIT else f"{reached}+tls"


# HttpAnswer is not brought but needs to know where TLS is spoken.
PROBE = Probe(name="tls", produces=(TlsPort, TlsSuites, HttpAnswer), ask=_ask)
SUITES = Probe(name="tls-suites", produces=(TlsSuites,), ask=_ask_suites)
STRAIN = Probe(
    name="tls-strain",
    produces=(TlsFlaws, TlsSecondOpinion),
    ask=_strain,
    reach=Reach.STRAIN,
    grants=(*FLAWS.values(), SECOND_OPINION_GRANT),
)
