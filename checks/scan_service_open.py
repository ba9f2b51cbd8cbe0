"""A driverless scan service answers without credentials.

Fails when
    It returns its capabilities over HTTP or HTTPS without credentials. Whether a scan starts as freely is never tried.
Passes when
    It asks for credentials (401 or 403), redirects to https, where the same path is asked again, or nothing speaks HTTP.
Unknown when
    The response is no capabilities document (404, another page): the service may answer at a path that is not known.
    Likewise where it redirects elsewhere, reports a server error (5xx), or sends no HTTP.
Reach
    ask: one GET for the capabilities on each web port, below the root that the device's DNS-SD record names (key rs) and
    at the baseline's paths; a scan is never begun.
Why it matters
    A scan service without authentication may let anyone scan what was left on the glass, unnoticed at the panel.
Sources
    NIST SP 800-53 Rev. 5, AC-3, AC-14 and CM-7; RFC 9110, section 15.5.2; the path: common practice (no published requirement)
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Observation, Outcome, fail, off_tcp, passed, unknown
from hardenprobe.checking.views.web import leads_to_https, no_http
from hardenprobe.facts import DnsSdText, HttpAnswer, ScanServiceAnswer, TcpPort, TlsPort
from hardenprobe.remediation.web import SCAN_SIGN_IN

EXPECTED = "no scan service, or one that asks for credentials"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide path by path, from the response body and not from the status alone."""
    answers = seen.of(ScanServiceAnswer)
    over_tls = {a.facts.path for a in answers if a.facts.tls and a.facts.status is not None}
    for answer in answers:
        yield _one(answer, over_tls)
    if not answers:
        served = [o for o in seen.of(HttpAnswer) if o.facts.status is not None]
        if served:
            yield unknown(served[0], "no scan service was asked for", EXPECTED)
        else:
            yield off_tcp(seen, EXPECTED)


def _one(answer: Observation[ScanServiceAnswer], over_tls: set[str]) -> Outcome:
    facts = answer.facts
    if facts.status is None:
        return no_http(answer, EXPECTED)
    if facts.capabilities:
        text = f"{facts.path} returns its capabilities without credentials; scanning itself was not tried"
        return fail(answer, text, EXPECTED, value=facts.path)
    if facts.status in (401, 403):
        return passed(answer, f"{facts.path} is answered with {facts.status}", EXPECTED, value=facts.status)
    if leads_to_https(facts) and not facts.tls and facts.path in over_tls:
        return passed(answer, f"{facts.path} redirects to https", EXPECTED, value=facts.location)
    return unknown(answer, f"{facts.path} is answered with {facts.status} and no capabilities", EXPECTED)


CHECK = Check(
    id="scan-service-open",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, ScanServiceAnswer, DnsSdText),
    judge=judge,
    service="scan",
    # Somebody must have left a document on the glass.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:U/EM:A"},
    remedy=SCAN_SIGN_IN,
    controls=("AC-3", "AC-14", "CM-7"),
    version="2",
)
