"""A service refuses a source that its allow-list admits.

Fails when
    The scan's source address is on every declared list of a service, and the service refuses it: it closes at once or
    answers 403; or it is closed or silent, while it serves another source or at another address of the device, or, for
    silence over TCP, something else of the device answers.
Passes when
    The service serves the scan: a page or a demand for credentials, a greeting, a reply, or a connection that stays open.
Unknown when
    Address translation may change the source address on the way (never on the scanner's own link), the source address is
    not known, or the service gave no conclusive response. SNMP may be silent because of the community alone.
Reach
    ask: what the other checks request anyway, from this vantage point.
Why it matters
    Users who are locked out ask for the list to be switched off, which admits everyone.
Sources
    NIST SP 800-53 Rev. 5, AC-3 and CP-10; RFC 9110, section 15.5.4
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import (
    Check,
    DeviceView,
    NoSettings,
    Outcome,
    Reason,
    Word,
    fail,
    inapplicable,
    passed,
    unknown,
)
from hardenprobe.addresses.edges import edge_text
from hardenprobe.addresses.sets import AddressSet
from hardenprobe.checking.views.access import Attempt, attempts, silent
from hardenprobe.facts import AddressAsked, DeclaredAllowList, HttpAnswer, SnmpAnswer, SnmpEngine, TcpPort
from hardenprobe.model import Said
from hardenprobe.remediation.fleet import ALLOW_LIST_ADMIT

EXPECTED = "the service serves a source that its list admits"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide service by service and address by address, where a list admits the source that asked there."""
    lists = [one.facts for one in seen.of(DeclaredAllowList) if one.facts.entries]
    if not lists:
        yield inapplicable("no declared list admits the source address of the scan", EXPECTED)
        return
    tried = [
        one
        for service in dict.fromkeys(s for a in lists for s in a.services)
        for one in attempts(seen, service)
    ]
    inside = [one for one in tried if one.source and _all_admit(lists, one.service, one.source)]
    for one in inside:
        yield _one(seen, one, edge_text(lists, one.service, one.source or ""))
    if not inside:
        undetermined = any(one.source is None for one in tried)
        text = (
            "the source address of the scan is not known"
            if undetermined
            else "no service whose list admits the source address was observed"
        )
        yield Outcome(
            word=Word.UNKNOWN if undetermined else Word.NOTAPPLICABLE,
            observed=Said(text=text),
            expected=Said(text=EXPECTED),
        )


def _all_admit(lists: Iterable[DeclaredAllowList], service: str, source: str) -> bool:
    return all(source in AddressSet.of(one.entries) for one in lists if service in one.services)


def _one(seen: DeviceView, one: Attempt, edge: str) -> Outcome:
    service, source, serving = one.service, one.source, one.serving
    if serving is not None and isinstance(serving.facts, TcpPort) and seen.ambiguous:
        text = "a random high port is open as well, so an open port proves nothing"
        return unknown(serving, text, EXPECTED, reason=Reason.AMBIGUOUS)
    if serving is not None:
        return passed(serving, f"{service} serves {source}{edge}", EXPECTED, value=source)
    if not one.turned or (
        service == "snmp" and not one.served
    ):  # which may only dislike the community, or be off
        if silent(one.heard):
            text = f"{service} is silent, like the whole device"
            return unknown(one.telling, text, EXPECTED, reason=Reason.SILENT)
        return unknown(one.telling, f"{service} gave no conclusive response", EXPECTED)
    if not seen.unchanged_at(one.address):
        text = f"{service} refuses, but address translation may change the source {source} on the way"
        return unknown(one.telling, text, EXPECTED)
    how = "is silent to" if one.dropped else "refuses"
    text = f"{service} {how} {source}, which its list admits{edge}"
    return fail(one.telling, text, EXPECTED, value=source)


CHECK = Check(
    id="allow-list-locks-out",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, SnmpAnswer, SnmpEngine, DeclaredAllowList, AddressAsked),
    judge=judge,
    vectors={"": "AV:N/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:P"},
    remedy=ALLOW_LIST_ADMIT,
    controls=("AC-4", "CM-6"),
    version="2",
)
