"""A remote screen is available without authentication.

Fails when
    A server that greets as RFB offers the security type None, alone or among others.
Passes when
    It offers others only, or no port speaks RFB.
Unknown when
    It refuses before it offers a type, greets on a port to which nothing may be sent, or a port is open and its protocol
    is not recognised.
Reach
    ask: one more connection to 5900/tcp, the version answered, the list read; nothing is chosen, so no session begins.
Why it matters
    Anyone who reaches the port sees the panel, and can often operate it, as at the device.
Sources
    RFC 6143, sections 7.1.1, 7.1.2 and 7.2.1; NIST SP 800-53 Rev. 5, AC-3 and MA-4
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, passed
from hardenprobe.checking.views.rfb import no_type, untested
from hardenprobe.facts import HttpAnswer, RfbSecurity, TcpPort, TlsPort
from hardenprobe.remediation.discovery import REMOTE_SCREEN_CLOSE

NONE = 1  # RFC 6143 section 7.1.2
EXPECTED = "no remote screen without authentication"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the list of security types."""
    for screen in seen.of(RfbSecurity):
        types = list(screen.facts.types)
        if NONE in types:
            yield fail(screen, f"security types {types}: None is offered", EXPECTED, value=types)
        elif types:
            yield passed(screen, f"security types {types}, None not among them", EXPECTED, value=types)
        else:
            yield no_type(screen, EXPECTED)
    yield from untested(seen, EXPECTED)


CHECK = Check(
    id="remote-screen-open",
    document=__doc__,
    # The last two tell what else a port speaks.
    reads=(TcpPort, RfbSecurity, HttpAnswer, TlsPort),
    identifies=(HttpAnswer, TlsPort),
    judge=judge,
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:P/A:P/PL:U/EM:A"},
    remedy=REMOTE_SCREEN_CLOSE,
    controls=("AC-3", "MA-4"),
    version="2",
)
