"""An SMB server does not require signing.

Fails when
    A negotiation on 445/tcp is agreed to and the server's security mode does not require signing; each version that is
    agreed to is a subject. Signing that is enabled is not required.
Passes when
    Every version that is agreed to requires it.
Unknown when
    445/tcp is open and no version is agreed to, or it is silent. Without SMB it is not applicable.
Reach
    ask: one connection for each of two negotiations; no session follows.
Why it matters
    A man in the middle can sign in as the user, or change what is read and stored.
Sources
    MS-CIFS, sections 2.2.4.52.1 and 2.2.4.52.2; MS-SMB2, sections 2.2.3 and 2.2.4; NIST SP 800-53 Rev. 5, SC-8 and SC-23
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, no_service, passed, unknown
from hardenprobe.facts import SmbNegotiation, TcpPort
from hardenprobe.remediation.discovery import SMB_SIGNING

PORTS = (139, 445)
EXPECTED = "signing is required"
SUBJECTS = {"1": "version 1", "2": "version 2 or 3"}


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide version by version; a version that is not agreed to has no quality."""
    asked = seen.of(SmbNegotiation)
    told = False
    for question in asked:
        facts = question.facts
        if facts.dialect is None:
            continue
        told = True
        say = passed if facts.signing_required else fail
        what = "required" if facts.signing_required else "not required"
        yield say(
            question, f"{facts.dialect}: signing is {what}", EXPECTED, subject=SUBJECTS.get(facts.asked)
        )
    if asked and not told:
        yield unknown(asked[0], f"no version is accepted: {asked[0].facts.fault or 'refused'}", EXPECTED)
    if not asked:
        yield no_service(seen, EXPECTED, "SMB", ports=PORTS)


CHECK = Check(
    id="smb-signing-not-required",
    document=__doc__,
    reads=(TcpPort, SmbNegotiation),
    judge=judge,
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A"},
    remedy=SMB_SIGNING,
    controls=("SC-8(1)", "SC-23"),
    version="2",
)
