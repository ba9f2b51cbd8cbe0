"""The device answers TFTP.

Fails when
    A read request for a random name to 69/udp gets any TFTP reply; an error is one.
Passes when
    The port is unreachable, or it is silent from here and answers another vantage point.
Unknown when
    The port is silent, or the response is inconclusive.
Reach
    ask: one datagram, half a second; the reply may come from any port of the device and is never acknowledged.
Why it matters
    Anyone who knows a file name can read, and often write, files without a password and without encryption.
Sources
    RFC 1350, sections 4, 5 and 7; NIST SP 800-53 Rev. 5, CM-7 and SC-8
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome
from hardenprobe.checking.views.discovery import answered
from hardenprobe.facts import TftpAnswer
from hardenprobe.remediation.discovery import TFTP_OFF

EXPECTED = "no TFTP answer"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the answers to unicast questions."""
    return answered(seen, TftpAnswer, EXPECTED, "TFTP")


CHECK = Check(
    id="cleartext-tftp",
    document=__doc__,
    reads=(TftpAnswer,),
    judge=judge,
    service="tftp",
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A"},
    remedy=TFTP_OFF,
    controls=("CM-7", "SC-8(1)"),
    version="2",
)
