"""The FTP server lets anyone in as anonymous.

Fails when
    USER anonymous, and PASS with the contact address of the scope where one is requested, lead to 230.
Passes when
    The sign-in is refused with 530, or no port speaks FTP. A request for a password alone proves nothing.
Unknown when
    The refusal names TLS, under which anonymous is not tried, or the server gives another reply. Not checked where the scope names no
    mail address to give.
Reach
    ask: one sign-in on each FTP port, the only one that is ever made; QUIT at once, nothing is listed or fetched.
Why it matters
    Anyone who reaches the device can leave files to be printed or installed, and on many models read scans and settings.
Sources
    RFC 1635; RFC 959, section 5.4; NIST SP 800-53 Rev. 5, AC-14
"""

from __future__ import annotations

import re
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
    off_tcp,
    passed,
    unknown,
)
from hardenprobe.facts import FtpAnonymous, FtpSession, HttpAnswer, TcpPort, TlsPort
from hardenprobe.model import Said
from hardenprobe.remediation.web import FTP_ANONYMOUS_OFF

EXPECTED = "no FTP, or FTP that refuses anonymous"
WANTS_TLS = re.compile(r"\b(TLS|SSL|AUTH|encrypt\w*|secure)\b", re.IGNORECASE)


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the last reply."""
    sessions = seen.of(FtpAnonymous)
    for session in sessions:
        yield _one(session)
    asked = {o.endpoint and (o.endpoint.address, o.endpoint.port) for o in sessions}
    other = [p for p in seen.accepting if p.facts.speaks == "ftp" and p.endpoint]
    missed = [p for p in other if p.endpoint and (p.endpoint.address, p.endpoint.port) not in asked]
    for port in missed:
        yield unknown(port, "greets like FTP on a port that may not be spoken to", EXPECTED)
    if not sessions and not missed:
        yield off_tcp(seen, EXPECTED)


def _one(session: Observation[FtpAnonymous]) -> Outcome:
    facts = session.facts
    if not facts.asked:
        return Outcome(
            word=Word.NOTCHECKED,
            observed=Said(text="the scope names no contact with a mail address to give as password"),
            expected=Said(text=EXPECTED),
            endpoint=session.endpoint,
            reason=Reason.NO_CREDENTIAL,
            proof=(session.id,),
        )
    codes = [code for code in (facts.user_code, facts.pass_code) if code is not None]
    said = " then ".join(map(str, codes)) or "nothing"
    if 230 in codes:
        return fail(session, f"anonymous is let in: {said}", EXPECTED, value=codes)
    if codes and codes[-1] == 530 and not WANTS_TLS.search(facts.text):
        return passed(session, f"anonymous is refused: {said}", EXPECTED, value=codes)
    return unknown(session, f"anonymous is answered with {said}, which tells nothing", EXPECTED)


CHECK = Check(
    id="ftp-anonymous",
    document=__doc__,
    reads=(TcpPort, FtpAnonymous, FtpSession, HttpAnswer, TlsPort),
    identifies=(HttpAnswer, TlsPort),
    judge=judge,
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:P/A:N/PL:U/EM:A"},
    remedy=FTP_ANONYMOUS_OFF,
    controls=("AC-14", "CM-7", "SC-8(1)"),
    version="2",
)
