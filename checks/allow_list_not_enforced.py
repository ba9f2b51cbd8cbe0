"""A service serves a source that its allow-list does not admit.

Fails when
    The scan's source address is outside a declared list, and a service of that list still serves it: a page or a demand
    for credentials, a greeting, a reply, or a connection that stays open. A bare TLS handshake does not count.
Passes when
    The service closes or answers 403; or it is closed or silent, while it serves another source or at another address of the
    device, or, for silence over TCP, something else of the device answers.
Unknown when
    Address translation may change the source address on the way (never on the scanner's own link), the source address is
    not known, or the service could not be tested.
Reach
    ask: what the other checks request anyway, from this vantage point.
Why it matters
    A list that the device does not enforce gives false assurance.
Sources
    NIST SP 800-53 Rev. 5, AC-3 and SC-7(5); RFC 9110, section 15.5.4
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

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
from hardenprobe.checking.views.access import Attempt, admitted, attempts, silent
from hardenprobe.facts import AddressAsked, DeclaredAllowList, HttpAnswer, SnmpAnswer, SnmpEngine, TcpPort
from hardenprobe.model import Said
from hardenprobe.remediation.general import ALLOW_LIST_ENFORCE

EXPECTED = "the service does not serve a source outside its list"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide service by service and address by address, where the source that asked there is on no list."""
    lists = [
        one.facts for one in seen.of(DeclaredAllowList) if one.facts.entries
    ]  # an empty one admits everyone
    tried = [
        one
        for service in dict.fromkeys(s for a in lists for s in a.services)
        for one in attempts(seen, service)
    ]
    outside = [one for one in tried if one.source and admitted(lists, one.service, one.source) is False]
    for one in outside:
        edge = edge_text((a for a in lists if one.service in a.services), one.service, one.source or "")
        yield _one(seen, one, edge)
    if not outside:
        yield _nothing(lists, tried)


def _one(seen: DeviceView, one: Attempt, edge: str) -> Outcome:
    service, source, serving = one.service, one.source, one.serving
    if serving is not None and not seen.unchanged_at(one.address):
        text = f"{service} serves, but address translation may change the source {source} on the way"
        return unknown(serving, text, EXPECTED)
    if serving is not None and isinstance(serving.facts, TcpPort) and seen.ambiguous:
        text = "a random high port is open as well, so an open port proves nothing"
        return unknown(serving, text, EXPECTED, reason=Reason.AMBIGUOUS)
    if serving is not None:
        text = f"{service} serves {source}, which no list admits{edge}"
        return fail(serving, text, EXPECTED, value=source)
    if one.turned and not one.dropped:
        return passed(one.telling, f"{service} does not serve {source}{edge}", EXPECTED, value=source)
    if one.turned:
        text = f"{service} is silent to {source}{edge}"
        return replace(passed(one.telling, text, EXPECTED, value=source), reason=Reason.DROPPED)
    if silent(one.heard):
        text = f"{service} is silent to {source}, like all that was tried of the device"
        return unknown(one.telling, text, EXPECTED, reason=Reason.SILENT)
    return unknown(one.telling, f"{service} gave no conclusive response", EXPECTED)


def _nothing(lists: Sequence[DeclaredAllowList], tried: Sequence[Attempt]) -> Outcome:
    word = Word.NOTAPPLICABLE
    if not lists:
        return inapplicable("no list with an entry is declared for this device", EXPECTED)
    if not tried:
        text = "none of the listed services was observed"
    elif any(one.source is None for one in tried):
        text, word = "the source address of the scan is not known", Word.UNKNOWN
    else:
        ours = ", ".join(sorted({one.source or "" for one in tried}))
        return inapplicable(f"every declared list admits {ours}", EXPECTED)
    return Outcome(word=word, observed=Said(text=text), expected=Said(text=EXPECTED))


CHECK = Check(
    id="allow-list-not-enforced",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, SnmpAnswer, SnmpEngine, DeclaredAllowList, AddressAsked),
    judge=judge,
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:P/A:N/PL:A/EM:A"},
    remedy=ALLOW_LIST_ENFORCE,
    controls=("AC-3", "SC-7(5)"),
    version="2",
)
