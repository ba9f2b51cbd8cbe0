"""A fax service answers without credentials.

Fails when
    /ipp/faxout tells the attributes of a fax-out service to anyone. Whether a fax leaves as freely is never tried.
Passes when
    It asks for credentials, or nothing is served at that path.
Unknown when
    What answers there does not say that it is such a service, or no IPP answer comes.
Reach
    ask: one request for attributes at each port that speaks IPP; nothing else is ever asked of the service.
Why it matters
    Anyone who reaches the device may send faxes in its name and at its cost, past what checks outgoing mail.
Sources
    PWG 5100.15 (IPP FaxOut Service); NIST SP 800-53 Rev. 5, AC-3, AC-14 and CM-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome
from hardenprobe.checking.views.ipp import judge_service
from hardenprobe.facts import HttpAnswer, IppPrinter, IppService, TcpPort, TlsPort
from hardenprobe.remediation.web import FAX_OUT_SIGN_IN

EXPECTED = "no fax-out service, or one that asks for credentials"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result for each port that speaks IPP."""
    return judge_service(seen, "fax out", EXPECTED, "its attributes")


CHECK = Check(
    id="fax-out-service-open",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, IppPrinter, IppService),
    judge=judge,
    service="fax-out",
    # What leaves in the device's name and at its cost; sending itself was not tried.
    vectors={"": "AV:N/AC:M/Au:N/C:N/I:P/A:P/PL:U/EM:A"},
    remedy=FAX_OUT_SIGN_IN,
    controls=("AC-3", "AC-14", "CM-7"),
    version="2",
)
