"""TLS compression is negotiated.

Fails when
    A server picks compression when it is offered.
Passes when
    Every version that could compress picks none.
Unknown when
    A version below TLS 1.3 could not be asked, or the port closes or is silent.
Reach
    ask: compression is offered in the hellos for the versions, with one more where TLS 1.3 was
    offered beside them, which has none.
Why it matters
    The length of compressed data discloses secrets, such as a session cookie (CVE-2012-4929).
Sources
    CVE-2012-4929; RFC 9325 section 3.3; RFC 3749
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, NoSettings, Outcome, Seen, fail, passed, unknown
from hardenprobe.checking.views.tls import speaking, unanswered, why_unknown
from hardenprobe.facts import HttpAnswer, TcpPort, TlsPort
from hardenprobe.remediation.tls import TLS_COMPRESSION_OFF

EXPECTED = "no version of TLS negotiates compression"


def judge(seen: Seen, expect: NoSettings) -> Iterable[Outcome]:
    """One result a port."""
    yield from unanswered(seen, EXPECTED)
    for port in speaking(seen):
        facts = port.facts
        compressing = [version for version, picked in facts.compression.items() if picked]
        # SSL 2.0 has no compression; what it could not tell matters nothing here.
        undetermined = [
            v
            for v, state in facts.versions.items()
            if v not in ("SSL 2.0", "TLS 1.3")
            and (state == "unknown" or (state == "accepted" and v not in facts.compression))
        ]
        if compressing:
            yield fail(port, f"compression in {', '.join(compressing)}", EXPECTED, value=compressing)
        elif undetermined:
            reason = why_unknown(facts, undetermined[0])
            yield unknown(port, f"{', '.join(undetermined)} could not be asked", EXPECTED, reason=reason)
        else:
            asked = ", ".join(facts.compression) or "no version that could"
            yield passed(port, f"no compression (offered in {asked})", EXPECTED)


CHECK = Check(
    id="tls-compression",
    document=__doc__,
    reads=(TcpPort, TlsPort, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    # NVD rates CVE-2012-4929 AV:N/AC:H/Au:N/C:P/I:N/A:N.
    vectors={"": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:U/EM:A"},
    remedy=TLS_COMPRESSION_OFF,
    controls=("SC-8(1)",),
    version="2",
)
