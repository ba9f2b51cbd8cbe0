"""A remote screen is shown without encryption.

Fails when
    A server that greets as RFB offers VNC Authentication: it checks a password and leaves the session readable.
Passes when
    It offers TLS alone, or no port speaks RFB. Where None is offered and no password, that is informational: remote-screen-open
    counts it.
Unknown when
    It offers only types whose encryption shows later or not at all, refuses before it offers one, or greets on a port to which
    nothing may be sent; or a port is open and its protocol is not recognised.
Reach
    ask: the list that remote-screen-open reads; nothing is chosen, so no session begins.
Why it matters
    Whoever is on the path sees the panel, the passwords and addresses that are typed on it, and can operate it.
Sources
    RFC 6143, sections 7.1.2, 7.2.2 and 8; NIST SP 800-53 Rev. 5, MA-4(6) and SC-8(1)
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, note, passed, unknown
from hardenprobe.checking.views.rfb import no_type, untested
from hardenprobe.facts import HttpAnswer, RfbSecurity, TcpPort, TlsPort
from hardenprobe.remediation.discovery import REMOTE_SCREEN_CLOSE

NONE, VNC, TLS = 1, 2, 18  # IANA Remote Framebuffer Security Types
EXPECTED = "no remote screen without encryption"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the list of security types."""
    for screen in seen.of(RfbSecurity):
        types = list(screen.facts.types)
        if VNC in types:
            text = f"security types {types}: VNC Authentication is offered, which encrypts nothing"
            yield fail(screen, text, EXPECTED, value=types)
        elif NONE in types:
            yield note(
                screen, f"security types {types}: counted by remote-screen-open", EXPECTED, value=types
            )
        elif types and set(types) == {TLS}:
            yield passed(screen, f"security types {types}, TLS alone", EXPECTED, value=types)
        elif types:
            text = f"security types {types}, which do not show whether the session is encrypted"
            yield unknown(screen, text, EXPECTED)
        else:
            yield no_type(screen, EXPECTED)
    yield from untested(seen, EXPECTED)


CHECK = Check(
    id="remote-screen-in-clear",
    document=__doc__,
    # The last two tell what else a port speaks.
    reads=(TcpPort, RfbSecurity, HttpAnswer, TlsPort),
    identifies=(HttpAnswer, TlsPort),
    judge=judge,
    # As FTP: the rights of whoever works at the panel, for somebody on the path.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:U/EM:A"},
    remedy=REMOTE_SCREEN_CLOSE,
    controls=("MA-4(6)", "SC-8(1)"),
)
