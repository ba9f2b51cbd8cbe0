"""A driverless scan service answers without credentials.

Fails when
    It hands out its capabilities document over HTTP or HTTPS to anyone.
Passes when
    It asks for credentials (401 or 403), or what comes back at its path is no capabilities document.
Unknown when
    It redirects elsewhere than to https, the server says that it is at fault (5xx), or no HTTP comes back.
Reach
    ask: one GET for the capabilities on each web port; a scan is never begun.
Why it matters
    Whoever reaches the device can scan what was left on the glass, without being seen at the panel.
Sources
    NIST SP 800-53 Rev. 5, AC-3, AC-14 and CM-7; RFC 9110, section 15.5.2; the path: common practice, no source
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe.checking.absence import off_tcp
from hardenprobe.checking.check import Check, NoSettings, Outcome, Seen, fail, passed, untold
from hardenprobe.checking.views.web import leads_to_https, no_http
from hardenprobe.facts import HttpAnswer, ScanServiceAnswer, TcpPort, TlsPort
from hardenprobe.model import Observation
from hardenprobe.remediation.web import SCAN_SIGN_IN

EXPECTED = "no scan service, or one that asks for credentials"


def judge(seen: Seen, expect: NoSettings) -> Iterable[Outcome]:
    """Decide path by path, from what came back and not from the status alone."""
    answers = seen.of(ScanServiceAnswer)
    for answer in answers:
        yield _one(answer)
    if not answers:
        served = [o for o in seen.of(HttpAnswer) if o.facts.status is not None]
        if served:
            yield untold(served[0], "no scan service was asked for", EXPECTED)
        else:
            yield off_tcp(seen, EXPECTED)


def _one(answer: Observation[ScanServiceAnswer]) -> Outcome:
    facts = answer.facts
    if facts.status is None:
        return no_http(answer, EXPECTED)
    if facts.capabilities:
        return fail(answer, f"{facts.path} hands out the capabilities", EXPECTED, value=facts.path)
    if facts.status in (401, 403):
        return passed(answer, f"{facts.path} is answered with {facts.status}", EXPECTED, value=facts.status)
    if facts.status >= 500 or (300 <= facts.status < 400 and not leads_to_https(facts)):
        return untold(answer, f"{facts.path} is answered with {facts.status}", EXPECTED)
    text = f"{facts.path} is answered with {facts.status} and no capabilities"
    return passed(answer, text, EXPECTED, value=facts.status)


CHECK = Check(
    id="scan-service-open",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, ScanServiceAnswer),
    judge=judge,
    service="scan",
    # Somebody must have left a document on the glass.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:ND/EM:A"},
    remedy=SCAN_SIGN_IN,
    controls=("AC-3", "AC-14", "CM-7"),
    version="2",
)
