"""An IPP scan service answers without credentials.

Fails when
    /ipp/scan tells the attributes of a scan service to anyone. Whether a scan starts as freely is never tried.
Passes when
    It asks for credentials, or nothing is served at that path.
Unknown when
    What answers there does not say that it is such a service, or no IPP answer comes.
Reach
    ask: one request for attributes at each port that speaks IPP; nothing else is ever asked of the service.
Why it matters
    A scan service without authentication may let anyone scan what was left on the glass, and send it to an address of theirs.
Sources
    PWG 5100.17 (IPP Scan Service); NIST SP 800-53 Rev. 5, AC-3, AC-14 and CM-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome
from hardenprobe.checking.views.ipp import judge_service
from hardenprobe.facts import HttpAnswer, IppPrinter, IppService, TcpPort, TlsPort
from hardenprobe.remediation.web import SCAN_SIGN_IN

EXPECTED = "no IPP scan service, or one that asks for credentials"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result for each port that speaks IPP."""
    return judge_service(seen, "scan", EXPECTED, "its attributes")


CHECK = Check(
    id="ipp-scan-service-open",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, IppPrinter, IppService),
    judge=judge,
    service="scan",
    # As scan-service-open: somebody must have left a document on the glass.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:U/EM:A"},
    remedy=SCAN_SIGN_IN,
    controls=("AC-3", "AC-14", "CM-7"),
    version="2",
)
