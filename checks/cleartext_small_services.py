"""The port of an obsolete small service is open.

Fails when
    7/tcp, 9/tcp, 13/tcp, 19/tcp, 37/tcp or 79/tcp is open: echo, discard, daytime, chargen, time or finger.
Passes when
    Every such port is closed, greets in another protocol, or is silent twice while another port answers.
Unknown when
    A port is open and closes at once, a random high port is open as well, or nothing of the device answers.
Reach
    look: one connection a port, nothing sent.
Why it matters
    No office function needs them; finger discloses user names, and the others can be abused for denial of service.
Sources
    RFC 862; RFC 863; RFC 864; RFC 867; RFC 868; RFC 1288; NIST SP 800-53 Rev. 5, CM-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reach
from hardenprobe.checking.views.ports import accepting
from hardenprobe.facts import TcpPort
from hardenprobe.remediation.discovery import SMALL_SERVICES_OFF

PORTS = {7: "echo", 9: "discard", 13: "daytime", 19: "chargen", 37: "time", 79: "finger"}
EXPECTED = "no small service's port is open"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from accepting alone."""
    return accepting(seen, PORTS, EXPECTED)


CHECK = Check(
    id="cleartext-small-services",
    document=__doc__,
    reads=(TcpPort,),
    judge=judge,
    service="small-services",
    vectors={"": "AV:N/AC:M/Au:N/C:N/I:N/A:P/PL:ND/EM:A"},
    remedy=SMALL_SERVICES_OFF,
    controls=("CM-7", "SC-5"),
    reach=Reach.LOOK,
    version="2",
)
