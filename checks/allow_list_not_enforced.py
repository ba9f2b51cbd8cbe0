"""A service serves a source that its list does not admit.

Fails when
    Our address is outside a declared list, and a service that the list is declared for still serves: a page or a demand
    for credentials, a greeting, a reply, or a connection that stays open. A bare TLS handshake does not count.
Passes when
    The service closes or says 403, refuses while it serves another vantage point, or is silent while something else of the
    device answers.
Unknown when
    A translator may change our address on the way, our address is not known, or the service could not be asked.
Reach
    ask: what the other checks ask anyway, from this vantage point.
Why it matters
    A list that everybody believes in and the device does not apply is worse than none.
Sources
    NIST SP 800-53 Rev. 5, AC-3 and SC-7(5); RFC 9110, section 15.5.4
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from hardenprobe.addresses.edges import edge_text
from hardenprobe.addresses.sets import AddressSet
from hardenprobe.checking.check import Check, NoSettings, Outcome, Seen, fail, inapplicable, passed, untold
from hardenprobe.checking.views.access import answers, serves, shut, silent
from hardenprobe.facts import DeclaredAllowList, HttpAnswer, SnmpAnswer, SnmpEngine, TcpPort
from hardenprobe.model import Observation, Reason, Said, Word
from hardenprobe.remediation.general import ALLOW_LIST_ENFORCE
from hardenprobe.scope.ports import SERVICES

EXPECTED = "the service does not serve a source outside its list"


def judge(seen: Seen, expect: NoSettings) -> Iterable[Outcome]:
    """Decide service by service, for every list that leaves our address out."""
    lists = [one for one in seen.of(DeclaredAllowList) if one.facts.entries]  # an empty one admits everyone
    source = seen.vantage.source
    relevant = [one for one in lists if source and source not in AddressSet.of(one.facts.entries)]
    if not relevant:
        yield _nothing(bool(lists), source)
        return
    # Of two lists for one service, a source that either admits is admitted.
    admitted = {s for one in lists if one not in relevant for s in one.facts.services}
    services = dict.fromkeys(s for one in relevant for s in one.facts.services if s not in admitted)
    edges = {s: edge_text((one.facts for one in relevant), s, source or "") for s in services}
    told = False
    for service in services:
        for transport, port in SERVICES[service]:
            for heard in answers(seen, service, transport, port):
                told = True
                yield _one(seen, service, source or "", edges[service], heard)
    if not told:
        text = "none of the listed services was seen"
        yield Outcome(word=Word.NOTAPPLICABLE, observed=Said(text=text), expected=Said(text=EXPECTED))


def _one(seen: Seen, service: str, source: str, edge: str, heard: list[Observation[Any]]) -> Outcome:
    serving = next((one for one in heard if serves(service, one.facts)), None)
    if serving is not None and seen.vantage.translated is not False:
        text = f"{service} serves us, but a translator may change our address {source} on the way"
        return untold(serving, text, EXPECTED)
    if serving is not None and isinstance(serving.facts, TcpPort) and seen.ambiguous:
        text = "a random high port accepts as well, so accepting proves nothing"
        return untold(serving, text, EXPECTED, reason=Reason.AMBIGUOUS)
    if serving is not None:
        text = f"{service} serves {source}, which no list admits{edge}"
        return fail(serving, text, EXPECTED, value=source)
    telling = [one for one in heard if not isinstance(one.facts, TcpPort)] or heard
    if shut(service, heard):
        return passed(telling[-1], f"{service} does not serve {source}{edge}", EXPECTED, value=source)
    if silent(heard):
        text = f"{service} is silent to {source}{edge}"
        if not seen.answers:
            return untold(telling[-1], text, EXPECTED, reason=Reason.SILENT)
        return replace(passed(telling[-1], text, EXPECTED, value=source), reason=Reason.DROPPED)
    return untold(telling[-1], f"{service} gave no telling answer", EXPECTED)


def _nothing(lists: bool, source: str | None) -> Outcome:
    if lists and source is None:
        text = Said(text="our own address is not known")
        return Outcome(word=Word.UNKNOWN, observed=text, expected=Said(text=EXPECTED))
    if lists:
        return inapplicable(f"every declared list admits {source}", EXPECTED)
    return inapplicable("no list with an entry is declared for this device", EXPECTED)


CHECK = Check(
    id="allow-list-not-enforced",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, SnmpAnswer, SnmpEngine, DeclaredAllowList),
    judge=judge,
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:P/A:N/PL:A/EM:A"},
    remedy=ALLOW_LIST_ENFORCE,
    controls=("AC-3", "SC-7(5)"),
    version="2",
)
