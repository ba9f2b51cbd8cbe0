"""Web services for devices answer in cleartext.

Fails when
    5357/tcp speaks HTTP without TLS: the port of printing and scanning by web services.
Passes when
    The port is closed, greets in another protocol, or is silent twice while another port answers.
Unknown when
    The port is open and sends no HTTP, or nothing of the device answers.
Reach
    ask: one GET for the first page; no service is used, and nothing is printed or scanned.
Why it matters
    Documents that are printed and scanned this way cross the network readable, and anyone who reaches the port may send jobs.
Sources
    IANA Service Name and Transport Protocol Port Number Registry, wsdapi 5357/tcp and wsdapi-s 5358/tcp; NIST SP 800-53
    Rev. 5, CM-7 and SC-8(1)
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, off_tcp
from hardenprobe.checking.views.web import no_http
from hardenprobe.facts import TcpPort, TlsPort, WebServices
from hardenprobe.remediation.web import WEB_SERVICES_OFF

PORTS = (5357,)
EXPECTED = "no web services for devices in cleartext"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the answer to one GET."""
    asked = seen.of(WebServices)
    for answer in asked:
        status = answer.facts.status
        if status is None:
            yield no_http(answer, EXPECTED)
        else:
            yield fail(answer, f"answers HTTP in cleartext with {status}", EXPECTED, value=status)
    if not asked:
        yield off_tcp(seen, EXPECTED, ports=PORTS)


CHECK = Check(
    id="web-services-in-clear",
    document=__doc__,
    reads=(TcpPort, TlsPort, WebServices),
    judge=judge,
    service="web-services",
    # As IPP in cleartext: what is printed and scanned, read and changed on the way.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A"},
    remedy=WEB_SERVICES_OFF,
    controls=("CM-7", "SC-8(1)"),
)
