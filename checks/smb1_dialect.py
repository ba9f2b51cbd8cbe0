"""An SMB server accepts version 1.

Fails when
    A negotiation on 445/tcp that offers NT LM 0.12 alone is accepted.
Passes when
    The server answers and takes none of it, or closes at it and has answered a negotiation of version 2 or 3; or the
    ports refuse.
Unknown when
    The server is silent, answers with something else, or closes at both; 139/tcp is open and 445/tcp is not; or nothing of
    the device answers.
Reach
    ask: one connection for each of two negotiations; no session follows.
Why it matters
    Version 1 has no protection against a man in the middle and a history of worms; later versions replace it.
Sources
    MS-CIFS, sections 2.2.4.52.1 and 2.2.4.52.2; MS-SMB2, sections 2.2.3 and 2.2.4; NIST SP 800-53 Rev. 5, CM-7 and SC-8
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reason, fail, off_tcp, passed, unknown
from hardenprobe.facts import SmbNegotiation, TcpPort
from hardenprobe.remediation.discovery import SMB1_OFF

PORTS = (139, 445)
EXPECTED = "SMB version 1 is not accepted"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the answer to version 1, and for a closed connection from that to version 2."""
    newer = {o.endpoint for o in seen.of(SmbNegotiation) if o.facts.asked == "2" and o.facts.answered}
    asked = [o for o in seen.of(SmbNegotiation) if o.facts.asked == "1"]
    for question in asked:
        facts = question.facts
        if facts.dialect:
            yield fail(question, f"{facts.dialect} is accepted", EXPECTED, value=facts.dialect)
        elif facts.answered:
            yield passed(question, "version 1 is answered and refused", EXPECTED)
        elif facts.fault == "closed" and question.endpoint in newer:
            yield passed(
                question, "the connection is closed at version 1, and version 2 is answered", EXPECTED
            )
        else:
            reason = Reason.SILENT if facts.fault == "silent" else Reason.INCONCLUSIVE
            yield unknown(question, f"version 1 is not answered: {facts.fault}", EXPECTED, reason=reason)
    if not asked:
        yield off_tcp(seen, EXPECTED, ports=PORTS)


CHECK = Check(
    id="smb1-dialect",
    document=__doc__,
    reads=(TcpPort, SmbNegotiation),
    judge=judge,
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:U/EM:A"},
    remedy=SMB1_OFF,
    controls=("CM-7", "SC-8(1)"),
    version="2",
)
