"""A raw print port accepts.

Fails when
    TCP 9100 accepts, or one of 9101 to 9107. Accepting is enough: the protocol has no greeting and nothing is said to it.
Passes when
    Every raw print port refuses, or is twice silent while another port answers.
Unknown when
    Nothing of the device answers, or a random high port accepts as well.
Reach
    look: one connection a port, closed without a byte; none at all on a device that is marked fragile.
Why it matters
    Whoever reaches the port prints, reads jobs on the wire, and on many devices changes settings by printer language.
Sources
    IANA Service Name and Transport Protocol Port Number Registry, pdl-datastream 9100/tcp; common practice for 9101 to
    9107, no source; NIST SP 800-53 Rev. 5, CM-7 and SC-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe.checking.absence import off_tcp
from hardenprobe.checking.check import Check, NoSettings, Outcome, Seen, fail, untold
from hardenprobe.facts import TcpPort
from hardenprobe.model import Reach, Reason
from hardenprobe.remediation.general import RAW_PRINT_LIMIT
from hardenprobe.scope.ports import RAW_PRINT

EXPECTED = "no raw print port accepts from here"


def judge(seen: Seen, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from accepting alone."""
    found = False
    for port in seen.accepting:
        if port.endpoint is None or port.endpoint.port not in RAW_PRINT or seen.ambiguous:
            continue
        found = True
        if port.facts.closed:
            yield untold(port, "accepts and closes at once", EXPECTED, reason=Reason.DROPPED)
        else:
            yield fail(port, "accepts; not identified, since nothing may be said to it", EXPECTED)
    if not found:
        yield off_tcp(seen, EXPECTED, ports=RAW_PRINT, accept_only=True)


CHECK = Check(
    id="cleartext-print-raw",
    document=__doc__,
    reads=(TcpPort,),
    judge=judge,
    service="raw-print",
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:P/A:P/PL:ND/EM:A"},
    remedy=RAW_PRINT_LIMIT,
    controls=("AC-3", "CM-7", "SC-7"),
    reach=Reach.LOOK,
    version="2",
)
