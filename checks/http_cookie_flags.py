"""A session cookie lacks Secure or HttpOnly.

Fails when
    An answer sets a cookie that looks like a session, by its name or by a long opaque value, without both flags.
Passes when
    Every such cookie has both. A cookie that remembers a language, or a token against forged requests, is no session.
Unknown when
    Nothing answers, or a tested port sends no HTTP; where no such cookie is set before a sign-in: not applicable.
Reach
    ask: the pages that other checks request anyway; no cookie is kept or sent back.
Why it matters
    Without Secure one plain HTTP link discloses the cookie; without HttpOnly a script in a page can read it.
Sources
    RFC 6265, sections 4.1.2.5, 4.1.2.6 and 8.3; what looks like a session: common practice (no published requirement)
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Word, fail, no_service, passed
from hardenprobe.checking.views.web import unanswered
from hardenprobe.facts import Cookie, HttpAnswer, TcpPort, TlsPort
from hardenprobe.model import Said
from hardenprobe.remediation.web import COOKIE_FLAGS

EXPECTED = "session cookies are Secure and HttpOnly"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result for each answer that sets a session cookie."""
    answers = [o for o in seen.of(HttpAnswer) if o.facts.status is not None]
    told = False
    for answer in answers:
        cookies = answer.facts.cookies
        if not cookies:
            continue
        told = True
        lacking = {c.name: missing for c in cookies if (missing := _lacks(c))}
        if lacking:
            text = "; ".join(f"{name} lacks {' and '.join(flags)}" for name, flags in lacking.items())
            yield fail(answer, text, EXPECTED, value=lacking)
        else:
            names = [c.name for c in cookies]
            yield passed(answer, f"{', '.join(names)} with both flags", EXPECTED, value=names)
    quiet = unanswered(seen.of(HttpAnswer), EXPECTED)
    yield from quiet
    if not answers and not quiet:
        yield no_service(seen, EXPECTED, "HTTP")
    elif answers and not told and not quiet:
        yield Outcome(
            word=Word.NOTAPPLICABLE,
            observed=Said(text="no session cookie is set before a sign-in"),
            expected=Said(text=EXPECTED),
            proof=tuple(o.id for o in answers),
        )


def _lacks(cookie: Cookie) -> list[str]:
    flags = {"Secure": cookie.secure, "HttpOnly": cookie.http_only}
    return [name for name, there in flags.items() if not there]


CHECK = Check(
    id="http-cookie-flags",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort),
    judge=judge,
    # Somebody must lure the administrator, or find a hole in a page first.
    vectors={"": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:U/EM:A"},
    remedy=COOKIE_FLAGS,
    controls=("SC-23", "SC-8(1)"),
    version="2",
)
