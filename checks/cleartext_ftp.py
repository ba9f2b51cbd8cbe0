"""An FTP server accepts a user name in cleartext.

Fails when
    The greeting is 220 and one USER with a random name draws 331, 332 or 230 without TLS.
Passes when
    No port speaks FTP, or USER draws 421 or 530 to 534 with a text that names TLS or encryption.
Unknown when
    USER draws another refusal, such as 421 for too many sessions, or the server could not be tested.
Reach
    ask: one more connection to an FTP port, one USER with a random name, no password, no data connection.
Why it matters
    User name, password and every document cross the network readable.
Sources
    RFC 959, section 5.4; RFC 4217, section 4; NIST SP 800-53 Rev. 5, SC-8(1)
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, off_tcp, passed, unknown
from hardenprobe.facts import FtpSession, HttpAnswer, SmbNegotiation, TcpPort, TlsPort, WebServices
from hardenprobe.remediation.general import FTP_OFF

EXPECTED = "no FTP, or FTP that demands TLS before a user name"
REFUSALS = (
    421,
    *range(530, 535),
)  # RFC 959 section 4.2, RFC 2228 section 5: service closes, not signed in, policy
WANTS_TLS = re.compile(r"\b(TLS|SSL|encrypt\w*)\b", re.IGNORECASE)


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the reply to USER."""
    found = False
    for session in seen.of(FtpSession):
        found = True
        facts = session.facts
        if facts.user_code in (230, 331, 332):
            what = f"USER is answered {facts.user_code} without TLS"
            yield fail(session, what, EXPECTED, value=facts.user_code)
        elif facts.user_code in REFUSALS and WANTS_TLS.search(facts.user_text):
            yield passed(session, f"USER is refused with {facts.user_code} and TLS is named", EXPECTED)
        else:
            said = "nothing" if facts.user_code is None else str(facts.user_code)
            yield unknown(session, f"USER is answered with {said}, which does not show why", EXPECTED)
    asked = {o.endpoint for o in seen.of(FtpSession)}
    for port in seen.accepting:
        if port.facts.speaks == "ftp" and port.endpoint not in asked:
            found = True
            yield unknown(port, "greets like FTP on a port that may not be spoken to", EXPECTED)
    if not found:
        yield off_tcp(seen, EXPECTED)


CHECK = Check(
    id="cleartext-ftp",
    document=__doc__,
    reads=(TcpPort, FtpSession, HttpAnswer, TlsPort, SmbNegotiation, WebServices),
    identifies=(HttpAnswer, TlsPort, SmbNegotiation, WebServices),
    judge=judge,
    service="ftp",
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:U/EM:A"},
    remedy=FTP_OFF,
    controls=("IA-5(1)", "CM-7", "SC-8(1)"),
    version="2",
    worse=(230, 331, 332),  # let in without a password; asked for one (RFC 959 section 4.2)
)
