"""The settings pages are served over plain HTTP.

Fails when
    Plain HTTP answers a listed path with a page, a sign-in form or a demand for credentials instead of a redirect to
    https; a meta refresh or a script is no redirect, and a redirect to http is none either.
Passes when
    The answer is a redirect to https, or 403, 404, 426 or another refusal without a form, or nothing speaks HTTP.
Unknown when
    The port accepts and no HTTP comes back, or nothing answers.
Reach
    ask: one GET a listed path, redirects not followed.
Why it matters
    The administrator's password and every setting cross the network readable and changeable.
Sources
    RFC 9110, section 15.4; RFC 9325, section 3.2; NIST SP 800-53 Rev. 5, AC-17(2) and SC-8(1)
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe.checking.absence import off_tcp
from hardenprobe.checking.check import Check, NoSettings, Outcome, Seen, fail, passed, untold
from hardenprobe.facts import HttpAnswer, TcpPort, TlsPort
from hardenprobe.model import Observation, Reason
from hardenprobe.remediation.general import HTTP_TO_HTTPS

EXPECTED = "plain HTTP is off, refused, or redirected to https"
REDIRECTS = (301, 302, 303, 307, 308)


def judge(seen: Seen, expect: NoSettings) -> Iterable[Outcome]:
    """Decide each path by itself."""
    answers = [o for o in seen.of(HttpAnswer) if o.endpoint and o.endpoint.protocol == "http"]
    for answer in answers:
        yield _one(answer)
    if not answers:
        yield off_tcp(seen, EXPECTED)


def _one(answer: Observation[HttpAnswer]) -> Outcome:
    facts = answer.facts
    if facts.status is None:
        reason = Reason.DROPPED if facts.fault == "closed" else Reason.INCONCLUSIVE
        return untold(answer, f"no HTTP came back: {facts.fault}", EXPECTED, reason=reason)
    if facts.status in REDIRECTS:
        if (facts.location or "").strip().lower().startswith("https:"):
            return passed(answer, f"{facts.status} to https", EXPECTED, value=facts.location)
        return fail(answer, f"{facts.status} that stays in clear", EXPECTED, value=facts.location)
    if facts.password_field:
        return fail(answer, f"{facts.status} with a password field", EXPECTED, value=facts.title)
    if facts.status == 401:
        asked = ", ".join(facts.authenticate) or "credentials"
        return fail(answer, f"401 asks for {asked} in clear", EXPECTED, value=list(facts.authenticate))
    if facts.form:
        return fail(answer, f"{facts.status} with a form", EXPECTED)
    if 200 <= facts.status < 300 and facts.cut and not facts.body_length:
        return untold(answer, f"{facts.status}, and nothing of its body came", EXPECTED)
    if 200 <= facts.status < 300:
        page = f"a page titled {facts.title!r}" if facts.title else "content"
        return fail(answer, f"{facts.status} with {page}", EXPECTED, value=facts.title)
    return passed(answer, f"{facts.status} without a form", EXPECTED, value=facts.status)


CHECK = Check(
    id="cleartext-http-management",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort),
    identifies=(TlsPort,),
    judge=judge,
    service="http",
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:ND/EM:A"},
    remedy=HTTP_TO_HTTPS,
    controls=("AC-17(2)", "SC-8(1)"),
    version="2",
)
