"""The line printer daemon's port is open.

Fails when
    515/tcp is open. An open port is enough: no data may be sent to a port whose lines are commands.
Passes when
    Every such port is closed, greets in another protocol, or is silent twice while another port answers.
Unknown when
    A port is open and closes at once or speaks unasked, which no line printer daemon does; a random high port accepts as
    well; or nothing of the device answers.
Reach
    look: one connection, closed without a byte.
Why it matters
    Jobs cross the network readable, and anyone who reaches the port prints, lists and removes jobs under any name.
Sources
    Common practice (no published requirement): RFC 1179, sections 5 and 7, describes the protocol and does not forbid it; IANA
    Service Name and Transport Protocol Port Number Registry, printer 515/tcp; NIST SP 800-53 Rev. 5, CM-7 and SC-8
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reach
from hardenprobe.checking.views.ports import accepting
from hardenprobe.facts import TcpPort
from hardenprobe.remediation.discovery import LPD_OFF

PORTS = {515: "printer"}
EXPECTED = "the line printer daemon's port is closed or filtered from this vantage point"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from accepting alone."""
    return accepting(seen, PORTS, EXPECTED, client_first=True)


CHECK = Check(
    id="cleartext-print-lpd",
    document=__doc__,
    reads=(TcpPort,),
    judge=judge,
    service="lpd",
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:U/EM:A"},
    remedy=LPD_OFF,
    controls=("CM-7", "SC-7", "SC-8(1)"),
    reach=Reach.LOOK,
    version="2",
)
