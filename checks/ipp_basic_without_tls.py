"""The print service accepts Basic passwords without TLS.

Fails when
    The attributes pair an address of the device, by position, with security none and authentication basic.
Passes when
    None of its own addresses does. Addresses of other hosts are not judged.
Unknown when
    The attributes cannot be paired by position, or no IPP answer on its port.
Reach
    ask: the attributes that are requested anyway; there is no sign-in.
Why it matters
    Every job carries the user's password in cleartext; it is often the directory password.
Sources
    RFC 7617, section 4; RFC 8011, sections 5.4.2 and 5.4.3; NIST SP 800-53 Rev. 5, IA-5(1) and SC-8(1)
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, passed, unknown
from hardenprobe.checking.views.ipp import own_uris, serving
from hardenprobe.facts import DeclaredDevice, HttpAnswer, IppPrinter, TcpPort, TlsPort
from hardenprobe.remediation.web import IPP_TLS

EXPECTED = "no address of the print service takes Basic without TLS"
BASIC = ("basic", "certificate+basic")  # IANA IPP registrations, uri-authentication-supported


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result for each port, from the addresses of the device's own."""
    found, missing = serving(seen, EXPECTED)
    yield from missing
    for answer in found:
        own = own_uris(seen, answer)
        bare = [key for key, one in own.items() if one.security == "none" and one.authentication in BASIC]
        if bare:
            text = f"{', '.join(bare)} asks for Basic with security none"
            yield fail(answer, text, EXPECTED, value=bare)
        elif own:
            yield passed(answer, f"Basic without TLS at none of {', '.join(own)}", EXPECTED)
        else:
            why = answer.facts.unpaired or "the service lists no address of the device"
            yield unknown(answer, why, EXPECTED)


CHECK = Check(
    id="ipp-basic-without-tls",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, IppPrinter, DeclaredDevice),
    judge=judge,
    # A password in cleartext of an account whose rights are not known.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:U/EM:A"},
    remedy=IPP_TLS,
    controls=("IA-5(1)", "SC-8(1)"),
)
