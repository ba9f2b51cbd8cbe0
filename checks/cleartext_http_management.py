"""The settings pages are served over plain HTTP.

Fails when
    Plain HTTP answers a path with content, a sign-in form or a demand for credentials instead of a redirect to https. The
    paths are those of the baseline, those that the device's first pages lead to, and those learned over https. A redirect
    to plain HTTP does not count.
Passes when
    The answer is a redirect to https, in one step or more on the device, or 403 or 426 without a form; or nothing speaks HTTP.
    On the port of IPP only content counts.
Unknown when
    The port accepts and no HTTP comes back, or nothing answers; 404 where no other path answers, 429, 5xx and any other
    response that says nothing about the settings. A page whose only effect is to send a browser to https of the same device: informational.
Reach
    ask: one GET a listed path, and at most six more requests a port on the same device, each once.
Why it matters
    The administrator's password and every setting cross the network readable and changeable.
Sources
    RFC 9110, section 15.4; RFC 9325, section 3.2; NIST SP 800-53 Rev. 5, MA-4(6) and IA-5(1)
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import (
    Check,
    DeviceView,
    NoSettings,
    Observation,
    Outcome,
    Reason,
    Word,
    fail,
    note,
    off_tcp,
    passed,
    unknown,
)
from hardenprobe.checking.views.web import (
    IPP,
    REDIRECTS,
    by_port,
    no_http,
    reaches_https,
    sends_to_https,
)
from hardenprobe.facts import DeclaredDevice, HttpAnswer, TcpPort, TlsPort
from hardenprobe.remediation.general import HTTP_TO_HTTPS

EXPECTED = "plain HTTP is off, refused, or redirected to https"
REFUSED = (403, 426)  # RFC 9110 sections 15.5.4 and 15.5.22


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide each listed path by itself; of those learned, one finding a port."""
    told = False
    for answers in by_port(o for o in seen.of(HttpAnswer) if not o.facts.tls).values():
        judged = [(one, _one(seen, one, answers)) for one in answers]
        learned = [outcome for one, outcome in judged if one.facts.learned]
        found = [outcome for one, outcome in judged if not one.facts.learned]
        if not any(outcome.word is Word.FAIL for outcome in found):
            found += _worst(learned)
        if answers[0].endpoint and answers[0].endpoint.port == IPP:
            found = [outcome for outcome in found if outcome.word is Word.FAIL]
        told = told or bool(found)
        yield from found
    if not told:
        yield off_tcp(seen, EXPECTED)


def _worst(learned: list[Outcome]) -> list[Outcome]:
    """The first that fails, or else the first that no HTTP answered."""
    failing = [outcome for outcome in learned if outcome.word is Word.FAIL]
    mute = [o for o in learned if o.word is Word.UNKNOWN and o.reason is not Reason.INCONCLUSIVE]
    return (failing or mute)[:1]


def _one(
    seen: DeviceView, answer: Observation[HttpAnswer], answers: Iterable[Observation[HttpAnswer]]
) -> Outcome:
    facts = answer.facts
    if facts.status is None:
        return no_http(answer, EXPECTED)
    at = f" at {facts.path}" if facts.learned else ""
    if facts.status in REDIRECTS:
        if reaches_https(facts, answers):
            return passed(answer, f"{facts.status} to https", EXPECTED, value=facts.location)
        return fail(answer, f"{facts.status}{at} that stays in cleartext", EXPECTED, value=facts.location)
    if facts.password_field:
        return fail(answer, f"{facts.status}{at} with a password field", EXPECTED, value=facts.title)
    if facts.status == 401:
        asked = ", ".join(facts.authenticate) or "credentials"
        return fail(
            answer, f"401{at} asks for {asked} in cleartext", EXPECTED, value=list(facts.authenticate)
        )
    if facts.form:
        return fail(answer, f"{facts.status}{at} with a form", EXPECTED)
    if 200 <= facts.status < 300:
        return _content(seen, answer, at)
    others = any(o.facts.status not in (None, 404) for o in answers if not o.facts.learned)
    if facts.status in REFUSED or (facts.status == 404 and others):
        return passed(answer, f"{facts.status} without a form", EXPECTED, value=facts.status)
    return unknown(answer, f"{facts.status}{at}, which says nothing about the settings", EXPECTED)


def _content(seen: DeviceView, answer: Observation[HttpAnswer], at: str) -> Outcome:
    facts = answer.facts
    if facts.cut and not facts.body_length:
        return unknown(answer, f"{facts.status}{at}, and nothing of its body came", EXPECTED)
    if sends_to_https(seen, facts):
        text = "a page that does nothing but send the browser to https, which an attacker on the path can prevent"
        return note(answer, text, EXPECTED, value=facts.leads_to)
    page = f"a page titled {facts.title!r}" if facts.title else "content"
    return fail(answer, f"{facts.status}{at} with {page}", EXPECTED, value=facts.title)


CHECK = Check(
    id="cleartext-http-management",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, DeclaredDevice),
    identifies=(TlsPort,),
    judge=judge,
    service="http",
    vectors={"": "AV:N/AC:M/Au:N/C:C/I:C/A:C/PL:R/EM:A"},
    remedy=HTTP_TO_HTTPS,
    controls=("MA-4(6)", "IA-5(1)", "SC-8(1)"),
    version="2",
)
