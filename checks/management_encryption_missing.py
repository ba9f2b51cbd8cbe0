"""The device is administered in cleartext and offers no TLS.

Fails when
    Plain HTTP or telnet serves administration, and no port serves pages over TLS. TLS for printing alone is no alternative.
Passes when
    Some port serves pages over TLS, or nothing serves administration in cleartext.
Unknown when
    A port closed or stopped responding at a TLS hello, or gave no HTTP answer over TLS, so that TLS may be offered.
Reach
    ask: what the other checks request anyway.
Why it matters
    No setting fixes it: every administrator's password crosses the network readable until the device is isolated or replaced.
Sources
    NIST SP 800-53 Rev. 5, MA-4(6) and SC-8(1); RFC 9325, section 3.2
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from hardenprobe import (
    Check,
    DeviceView,
    NoSettings,
    Observation,
    Outcome,
    Reason,
    State,
    fail,
    off_tcp,
    passed,
    unknown,
)
from hardenprobe.checking.views.web import IPP, administers, leads_to_https, sends_to_https
from hardenprobe.facts import DeclaredDevice, HttpAnswer, TcpPort, TelnetGreeting, TlsPort
from hardenprobe.remediation.web import ISOLATE_OR_REPLACE

EXPECTED = "where the device is administered in cleartext, TLS is offered too"
ALTERNATIVES = (443, 8443)  # IANA: https, and its common alternative


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result for the whole device."""
    clear = _in_clear(seen)
    secure = [o for o in seen.of(HttpAnswer) if o.facts.tls and _web(o) and o.facts.status is not None]
    if not clear:
        yield off_tcp(seen, EXPECTED)
    elif secure:
        yield _whole(passed(secure[0], "pages are served over TLS as well", EXPECTED))
    elif (doubt := _doubtful(seen)) is not None:
        text = "administered in cleartext; whether TLS is offered is not determined"
        yield _whole(unknown(doubt, text, EXPECTED, reason=Reason.DROPPED))
    else:
        text = f"administered by {', '.join(sorted(clear))} in cleartext, and no page over TLS"
        yield _whole(fail(next(iter(clear.values())), text, EXPECTED, value=sorted(clear)))


def _in_clear(seen: DeviceView) -> dict[str, Observation[Any]]:
    """What administers in cleartext, by protocol."""
    found: dict[str, Observation[Any]] = {}
    for page in seen.of(HttpAnswer):
        facts = page.facts
        if facts.tls or leads_to_https(facts) or sends_to_https(seen, facts):
            continue
        if administers(page):
            found.setdefault("HTTP", page)
    for greeting in seen.of(TelnetGreeting):
        if greeting.facts.negotiates or greeting.facts.prompt is not None:
            found.setdefault("telnet", greeting)
    return found


def _web(page: Observation[HttpAnswer]) -> bool:
    return page.endpoint is not None and (page.endpoint.port != IPP or administers(page))


def _doubtful(seen: DeviceView) -> Observation[Any] | None:
    """Something that may be the alternative, not fully determined."""
    for port in seen.tcp_ports:
        silent = port.facts.state is State.SILENT or port.facts.closed
        if silent and port.endpoint and port.endpoint.port in ALTERNATIVES:
            return port
    for page in seen.of(HttpAnswer):
        if page.facts.tls and _web(page):
            return page
    for tls in seen.of(TlsPort):
        if tls.endpoint and tls.endpoint.port in ALTERNATIVES and tls.facts.fault in ("closed", "silent"):
            return tls
    return None


def _whole(outcome: Outcome) -> Outcome:
    return replace(outcome, endpoint=None)


CHECK = Check(
    id="management-encryption-missing",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, TelnetGreeting, DeclaredDevice),
    judge=judge,
    vectors={"": "AV:N/AC:M/Au:N/C:C/I:C/A:C/PL:R/EM:A"},
    remedy=ISOLATE_OR_REPLACE,
    controls=("MA-4(6)", "SC-8(1)"),
    by_absence=True,
    version="2",
)
