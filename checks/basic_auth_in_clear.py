"""Basic authentication is requested over plain HTTP.

Fails when
    An answer over plain HTTP, of a page or of a print service, carries the challenge Basic. That it also names an https
    address changes nothing: a client that has the password sends it. Or a client was seen to send a password by Basic over
    plain HTTP, and was served.
Passes when
    Plain HTTP answers without that challenge, or nothing speaks plain HTTP.
Unknown when
    A request gets no complete HTTP response, or nothing answers.
Reach
    ask: the pages that other checks request anyway, without credentials.
Why it matters
    Basic sends the password with every request, readable to anyone on the path.
Sources
    RFC 7617, section 4; RFC 9110, section 11.6.1; NIST SP 800-53 Rev. 5, IA-5(1)
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, passed
from hardenprobe.checking.views.web import by_port, in_clear, mute, nothing_in_clear
from hardenprobe.facts import CredentialsInClear, HttpAnswer, IppPrinter, SettingsPageAnswer, TcpPort, TlsPort
from hardenprobe.remediation.general import HTTP_TO_HTTPS

EXPECTED = "no answer over plain HTTP asks for Basic authentication"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result for each port that was asked over plain HTTP."""
    ports = in_clear(seen)
    sent = by_port(o for o in seen.of(CredentialsInClear) if o.facts.scheme == "basic")
    for place, answers in ports.items():
        asking = [o for o in answers if "basic" in o.facts.authenticate]
        if asking:
            paths = [o.facts.path for o in asking]
            yield fail(asking[0], f"Basic is asked for at {', '.join(paths)}", EXPECTED, value=paths)
        elif place in sent:
            continue
        elif silence := mute(answers, EXPECTED):
            yield silence
        else:
            schemes = sorted({s for o in answers for s in o.facts.authenticate})
            text = f"asks for {', '.join(schemes)}" if schemes else "asks for no authentication"
            yield replace(
                passed(answers[0], text, EXPECTED, value=schemes), proof=tuple(o.id for o in answers)
            )
    for place, found in sent.items():
        if not any("basic" in o.facts.authenticate for o in ports.get(place, ())):
            yield fail(found[0], "a client sends a password by Basic and is served", EXPECTED)
    if not ports and not sent:
        yield nothing_in_clear(seen, EXPECTED)


CHECK = Check(
    id="basic-auth-in-clear",
    document=__doc__,
    reads=(TcpPort, CredentialsInClear, HttpAnswer, TlsPort, SettingsPageAnswer, IppPrinter),
    identifies=(TlsPort,),
    judge=judge,
    vectors={"": "AV:N/AC:M/Au:N/C:C/I:C/A:C/PL:R/EM:A"},
    remedy=HTTP_TO_HTTPS,
    controls=("IA-5(1)", "SC-8(1)", "MA-4(6)"),
    version="2",
)
