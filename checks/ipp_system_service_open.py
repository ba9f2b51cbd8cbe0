"""The IPP system service answers without credentials.

Fails when
    /ipp/system tells the attributes of the system object to anyone. Whether it can be changed as freely is never tried.
Passes when
    It asks for credentials, or nothing is served at that path.
Unknown when
    What answers there does not say that it is such a service, or no IPP answer comes.
Reach
    ask: one request for attributes at each port that speaks IPP; nothing else is ever asked of the service.
Why it matters
    The system service creates and deletes print services and restarts the device; what it tells prepares an attack.
Sources
    PWG 5100.22 (IPP System Service), Get-System-Attributes; NIST SP 800-53 Rev. 5, AC-3, AC-14 and CM-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome
from hardenprobe.checking.views.ipp import judge_service
from hardenprobe.facts import HttpAnswer, IppPrinter, IppService, TcpPort, TlsPort
from hardenprobe.remediation.web import IPP_SYSTEM_SIGN_IN

EXPECTED = "no IPP system service, or one that asks for credentials"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result for each port that speaks IPP."""
    return judge_service(seen, "system", EXPECTED, "the attributes of the system")


CHECK = Check(
    id="ipp-system-service-open",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, IppPrinter, IppService),
    judge=judge,
    # Reading is shown, and no more.
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:A/EM:A"},
    remedy=IPP_SYSTEM_SIGN_IN,
    controls=("AC-3", "AC-14", "CM-7"),
    version="2",
)
