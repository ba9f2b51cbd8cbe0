"""A sign-in form is served over plain HTTP.

Fails when
    A page that came over plain HTTP holds a password field, whatever its status.
Passes when
    Plain HTTP answers, and no page holds one; or nothing speaks plain HTTP. A form without a password field is none.
Unknown when
    A request gets no complete HTTP response, or nothing answers.
Reach
    ask: the pages that other checks request anyway, redirects not followed.
Why it matters
    The form itself can be changed on the way, so that the password is sent elsewhere even where the form submits over TLS.
Sources
    RFC 9325, section 3.2; RFC 6797, section 2.3; NIST SP 800-53 Rev. 5, IA-5(1) and SC-8(1)
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, passed
from hardenprobe.checking.views.web import in_clear, mute, nothing_in_clear
from hardenprobe.facts import HttpAnswer, SettingsPageAnswer, TcpPort, TlsPort
from hardenprobe.remediation.general import HTTP_TO_HTTPS

EXPECTED = "no page over plain HTTP asks for a password"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result for each port that was asked over plain HTTP."""
    ports = in_clear(seen)
    for answers in ports.values():
        asking = [o for o in answers if getattr(o.facts, "password_field", False)]
        if asking:
            paths = [o.facts.path for o in asking]
            text = f"a password field at {', '.join(paths)}"
            yield fail(asking[0], text, EXPECTED, value=paths)
        elif silence := mute(answers, EXPECTED):
            yield silence
        else:
            clear = passed(answers[0], "no password field", EXPECTED, value=[o.facts.path for o in answers])
            yield replace(clear, proof=tuple(o.id for o in answers))
    if not ports:
        yield nothing_in_clear(seen, EXPECTED)


CHECK = Check(
    id="login-form-in-clear",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, SettingsPageAnswer),
    identifies=(TlsPort,),
    judge=judge,
    vectors={"": "AV:N/AC:M/Au:N/C:C/I:C/A:C/PL:R/EM:A"},
    remedy=HTTP_TO_HTTPS,
    controls=("IA-5(1)", "SC-8(1)", "MA-4(6)"),
    version="2",
)
