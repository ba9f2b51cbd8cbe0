"""Pages over HTTPS lack HTTP Strict Transport Security.

Fails when
    The certificate is trusted and names a name in use, and Strict-Transport-Security is missing, unreadable or max-age=0.
Passes when
    It comes with a max-age above zero. Sent over plain HTTP it counts for nothing, as in browsers.
Unknown when
    Nothing answers. Without a trusted certificate for a name in use browsers ignore the header: informational.
Reach
    ask: the pages that other checks request anyway, by address.
Why it matters
    An attacker on the path can keep a browser on plain HTTP, unnoticed by the user.
Sources
    RFC 6797, sections 6.1, 7.2 and 8.1; RFC 9325, section 3.2
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Observation, Outcome, fail, no_service, note, passed
from hardenprobe.checking.views.names import is_address, matches_any, names_in_use
from hardenprobe.checking.views.tls import speaking
from hardenprobe.checking.views.web import by_port, unanswered
from hardenprobe.facts import DeclaredDevice, HttpAnswer, SnmpAnswer, TcpPort, TlsPort
from hardenprobe.remediation.web import STRICT_TRANSPORT

EXPECTED = "Strict-Transport-Security with a max-age above zero"
# RFC 6797 section 6.1: names in any case, the value a token or a quoted string.
_MAX_AGE = re.compile(r'(?:^|;)\s*max-age\s*=\s*(?:"(\d{1,10})"|(\d{1,10}))\s*(?:;|$)', re.IGNORECASE)


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result for each port that serves pages over TLS."""
    asked = [
        o for o in seen.of(HttpAnswer)
        if o.facts.tls and o.endpoint and o.endpoint.protocol not in ("ipp", "ipps")
    ]  # fmt: skip
    pages = [o for o in asked if o.facts.status]
    for (address, port), answers in by_port(pages).items():
        yield _one(answers[0], _trusted_name(seen, address, port))
    missing = unanswered(asked, EXPECTED)
    yield from missing
    if not pages and not missing:
        yield no_service(seen, EXPECTED, "HTTPS")


def _trusted_name(seen: DeviceView, address: str, port: int) -> str | None:
    """A name in use that a trusted certificate of this port shows; a browser heeds the header for no other."""
    used = [
        n for n in names_in_use(seen) if not is_address(n)
    ]  # RFC 6797 section 8.1.1: never for an address
    for tls in speaking(seen):
        if tls.endpoint and (tls.endpoint.address, tls.endpoint.port) == (address, port):
            for chain in tls.facts.chains:
                if chain.path.trusted and chain.certificates:
                    shown = chain.certificates[0].names
                    return next((n for n in used if matches_any(shown, n)), None)
    return None


def _one(page: Observation[HttpAnswer], name: str | None) -> Outcome:
    header, status = page.facts.strict_transport, page.facts.status or 0
    if name is None:
        text = "no trusted certificate for a name in use, without which browsers ignore the header"
        return note(page, text, EXPECTED, value=header)
    if status >= 400 and status != 401:
        return note(page, f"answered with {status}, which is no page of settings", EXPECTED, value=header)
    if header is None:
        return fail(page, f"no Strict-Transport-Security for {name}", EXPECTED)
    found = _MAX_AGE.search(header)
    if found is None:
        return fail(page, "Strict-Transport-Security without a readable max-age", EXPECTED, value=header)
    if int(found[1] or found[2]) == 0:
        return fail(
            page, "Strict-Transport-Security with max-age=0, which switches it off", EXPECTED, value=header
        )
    return passed(page, f"Strict-Transport-Security for {name}", EXPECTED, value=header)


CHECK = Check(
    id="http-strict-transport",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, SnmpAnswer, DeclaredDevice),
    judge=judge,
    vectors={"": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:U/EM:A"},
    remedy=STRICT_TRANSPORT,
    controls=("SC-8(1)", "SC-23"),
    version="2",
)
