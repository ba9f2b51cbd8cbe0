"""A redirect leads away from the device, or through plain HTTP again.

Fails when
    A redirect names a host that is no known name or address of the device (inventory, target, sysName, certificate), names
    no web address at all, or leads to plain HTTP, from https or from plain HTTP.
Passes when
    It leads to the device itself, over https. The part before an @ in the address is no host.
Unknown when
    The redirect names no place, or one that cannot be read. A name where no name of the device is known: informational.
Reach
    ask: the pages that other checks request anyway; redirects are read and never followed.
Why it matters
    The owner of the other host receives the administrator's password, and an attacker can redirect any plain HTTP step.
Sources
    RFC 9110, sections 10.2.2 and 15.4; RFC 3986, section 3.2; RFC 9325, section 3.2
"""

from __future__ import annotations

from collections.abc import Iterable
from urllib.parse import urlsplit

from hardenprobe import (
    Check,
    DeviceView,
    NoSettings,
    Observation,
    Outcome,
    Word,
    fail,
    no_service,
    note,
    passed,
    unknown,
)
from hardenprobe.checking.views.names import certificate_names, is_address, is_own, names_in_use
from hardenprobe.checking.views.web import REDIRECTS, unanswered
from hardenprobe.facts import DeclaredDevice, HttpAnswer, SnmpAnswer, TcpPort, TlsPort
from hardenprobe.model import Said
from hardenprobe.remediation.web import REDIRECT_HOME

EXPECTED = "redirects lead to the device itself over https"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide redirect by redirect."""
    answers = [o for o in seen.of(HttpAnswer) if o.facts.status is not None]
    redirects = [o for o in answers if o.facts.status in REDIRECTS]
    for one in redirects:
        outcome = _one(seen, one)
        if outcome.word is Word.FAIL or not one.facts.learned:
            yield outcome
    missing = unanswered(seen.of(HttpAnswer), EXPECTED)
    yield from missing
    if not answers and not missing:
        yield no_service(seen, EXPECTED, "HTTP")
    elif not redirects and not missing:
        yield Outcome(
            word=Word.NOTAPPLICABLE,
            observed=Said(text="no page redirects"),
            expected=Said(text=EXPECTED),
            proof=tuple(o.id for o in answers),
        )


def _one(seen: DeviceView, answer: Observation[HttpAnswer]) -> Outcome:
    facts = answer.facts
    where = (facts.location or "").strip()
    try:
        parts = urlsplit(where)
        host, scheme = parts.hostname, parts.scheme.lower()
    except ValueError:
        return unknown(answer, f"{facts.status} to a place that cannot be read", EXPECTED)
    if not where:
        return unknown(answer, f"{facts.status} without a place to go", EXPECTED)
    if scheme not in ("", "http", "https"):
        return fail(answer, f"{facts.status} to something that is no web page", EXPECTED, value=where)
    if host and not is_own(seen, host):
        if not is_address(host) and not names_in_use(seen) and not certificate_names(seen):
            text = f"{facts.status} to {host}; no name of the device is known to compare with"
            return note(answer, text, EXPECTED, value=where)
        return fail(answer, f"{facts.status} to {host}, which is not the device", EXPECTED, value=where)
    if scheme == "http" or not (facts.tls or scheme):
        text = f"{facts.status} " + ("back to plain HTTP" if facts.tls else "through plain HTTP again")
        return fail(answer, text, EXPECTED, value=where, vector="in clear")
    return passed(answer, f"{facts.status} to the device itself", EXPECTED, value=where)


CHECK = Check(
    id="http-redirect-leaves-device",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, SnmpAnswer, DeclaredDevice),
    judge=judge,
    # Away from the device somebody must own the other host; in cleartext, be on the path.
    vectors={
        "": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "in clear": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:U/EM:A",
    },
    remedy=REDIRECT_HOME,
    controls=("SC-8(1)", "SC-23"),
    version="2",
)
