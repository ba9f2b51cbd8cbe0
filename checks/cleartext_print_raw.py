"""A raw print port is open.

Fails when
    9100/tcp is open, or one of 9101/tcp to 9107/tcp. An open port is enough: the protocol has no greeting, and no data is sent to it.
Passes when
    Every raw print port is closed, or is silent twice while another port answers.
Unknown when
    Nothing of the device answers, or a random high port is open as well; or every port is closed while the device reports that it
    prints or that its raw print channel is open, since a port that serves one session refuses the next.
Reach
    look: one connection a port, closed without a byte; none at all on a device that is marked fragile.
Why it matters
    Anyone who reaches the port prints, reads jobs on the wire, and on many devices changes settings by printer language.
Sources
    IANA Service Name and Transport Protocol Port Number Registry, pdl-datastream 9100/tcp; 9101 to 9107: common
    practice (no published requirement); NIST SP 800-53 Rev. 5, CM-7 and SC-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reach, Reason, Word, fail, off_tcp, unknown
from hardenprobe.facts import SnmpObjects, TcpPort
from hardenprobe.remediation.general import RAW_PRINT_LIMIT
from hardenprobe.scope.ports import RAW_PRINT

EXPECTED = "no raw print port is open from this vantage point"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from accepting alone."""
    found = False
    for port in seen.accepting:
        if port.endpoint is None or port.endpoint.port not in RAW_PRINT or seen.ambiguous:
            continue
        found = True
        if port.facts.closed:
            yield unknown(port, "open, and closes at once", EXPECTED, reason=Reason.DROPPED)
        else:
            yield fail(
                port, "open; service not probed, because data sent to this port would be printed", EXPECTED
            )
    if not found:
        outcome = off_tcp(seen, EXPECTED, ports=RAW_PRINT, accept_only=True)
        busy = next((o for o in seen.of(SnmpObjects) if _busy(o.facts)), None)
        if outcome.word is Word.PASS and busy is not None:
            outcome = unknown(
                busy, "no raw print port is open, while the device reports one in use", EXPECTED
            )
        yield outcome


def _busy(objects: SnmpObjects) -> bool:
    """It prints, or names a raw print channel that accepts data (RFC 2790 hrPrinterStatus, RFC 3805 prtChannelState)."""
    return objects.printing or any(c.open and c.port in RAW_PRINT for c in objects.channels)


CHECK = Check(
    id="cleartext-print-raw",
    document=__doc__,
    reads=(TcpPort, SnmpObjects),
    judge=judge,
    service="raw-print",
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:U/EM:A"},
    remedy=RAW_PRINT_LIMIT,
    controls=("AC-3", "CM-7", "SC-7"),
    reach=Reach.LOOK,
    version="2",
)
