"""A service does not serve a source that its list admits.

Fails when
    Our address is on every declared list of a service, and the service turns us away: it closes at once, says 403, refuses
    while it serves another vantage point, or is silent while something else of the device answers.
Passes when
    The service serves us: a page or a demand for credentials, a greeting, a reply, or a connection that stays open.
Unknown when
    A translator may change our address on the way, our address is not known, or the service gave no telling answer. SNMP
    may be silent because of the community alone.
Reach
    ask: what the other checks ask anyway, from this vantage point.
Why it matters
    Users who are not admitted ask for the list to be switched off, and then everyone is admitted.
Sources
    NIST SP 800-53 Rev. 5, AC-4 and CM-6; RFC 9110, section 15.5.4
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from hardenprobe.addresses.edges import edge_text
from hardenprobe.addresses.sets import AddressSet
from hardenprobe.checking.check import Check, NoSettings, Outcome, Seen, fail, inapplicable, passed, untold
from hardenprobe.checking.views.access import answers, serves, shut, silent
from hardenprobe.facts import DeclaredAllowList, HttpAnswer, SnmpAnswer, SnmpEngine, TcpPort
from hardenprobe.model import Observation, Reason, Said, Word
from hardenprobe.remediation.fleet import ALLOW_LIST_ADMIT
from hardenprobe.scope.ports import SERVICES

EXPECTED = "the service serves a source that its list admits"


def judge(seen: Seen, expect: NoSettings) -> Iterable[Outcome]:
    """Decide service by service, for those whose lists all admit us."""
    source = seen.vantage.source
    lists = [one.facts for one in seen.of(DeclaredAllowList) if one.facts.entries]
    shut = {s for one in lists for s in one.services if source and source not in AddressSet.of(one.entries)}
    services = dict.fromkeys(s for one in lists for s in one.services if s not in shut)
    if not services:
        yield inapplicable("no list that admits us is declared for a service", EXPECTED)
        return
    edges = {s: edge_text(lists, s, source or "") for s in services}
    told = False
    for service in services if source else ():
        for transport, port in SERVICES[service]:
            for heard in answers(seen, service, transport, port):
                told = True
                yield _one(seen, service, source or "", edges[service], heard)
    if not told:
        unknown = bool(lists) and source is None
        text = "our own address is not known" if unknown else "no listed service that admits us was seen"
        yield Outcome(
            word=Word.UNKNOWN if unknown else Word.NOTAPPLICABLE,
            observed=Said(text=text),
            expected=Said(text=EXPECTED),
        )


def _one(seen: Seen, service: str, source: str, edge: str, heard: list[Observation[Any]]) -> Outcome:
    serving = next((one for one in heard if serves(service, one.facts)), None)
    if serving is not None and isinstance(serving.facts, TcpPort) and seen.ambiguous:
        text = "a random high port accepts as well, so accepting proves nothing"
        return untold(serving, text, EXPECTED, reason=Reason.AMBIGUOUS)
    if serving is not None:
        return passed(serving, f"{service} serves {source}{edge}", EXPECTED, value=source)
    telling = ([one for one in heard if not isinstance(one.facts, TcpPort)] or heard)[-1]
    refused = service != "snmp" and shut(service, heard)
    dropped = service != "snmp" and silent(heard)
    if not (refused or dropped):
        return untold(telling, f"{service} gave no telling answer", EXPECTED)
    if seen.vantage.translated is not False:
        text = f"{service} turns us away, but a translator may change our address {source} on the way"
        return untold(telling, text, EXPECTED)
    if dropped and not refused and not seen.answers:
        return untold(telling, f"{service} is silent, like the whole device", EXPECTED, reason=Reason.SILENT)
    how = "turns away" if refused else "is silent to"
    text = f"{service} {how} {source}, which its list admits{edge}"
    return fail(telling, text, EXPECTED, value=source)


CHECK = Check(
    id="allow-list-locks-out",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, SnmpAnswer, SnmpEngine, DeclaredAllowList),
    judge=judge,
    vectors={"": "AV:N/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:P"},
    remedy=ALLOW_LIST_ADMIT,
    controls=("AC-4", "CM-6"),
    version="2",
)
