"""A remote shell port is open.

Fails when
    512/tcp, 513/tcp or 514/tcp is open. The client would speak first, so the protocol is not confirmed. 513 and 514 are asked from
    a port below 1024 where the scan may use one; else accepting and closing at once counts, since their daemons do so.
Passes when
    Every such port is closed, greets in another protocol, or is silent twice while another port answers.
Unknown when
    512 is open and closes at once, or 513 or 514 though it was asked from a port below 1024; a random high port is open as well, or nothing of the device answers.
Reach
    look: one connection a port, from a port below 1024 where the scan may use one; nothing sent.
Why it matters
    These services trust the name that the client states, or receive the password in cleartext.
Sources
    IANA Service Name and Transport Protocol Port Number Registry, exec, login and shell; RFC 1282; NIST SP 800-53
    Rev. 5, MA-4(6) and CM-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reach
from hardenprobe.checking.views.ports import accepting
from hardenprobe.facts import TcpPort
from hardenprobe.remediation.discovery import SMALL_SERVICES_OFF

PORTS = {512: "exec", 513: "login", 514: "shell"}
EXPECTED = "no remote shell port is open"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from accepting alone."""
    return accepting(seen, PORTS, EXPECTED, wants_reserved=(513, 514))  # RFC 1282 section 2.2


CHECK = Check(
    id="cleartext-remote-shell",
    document=__doc__,
    reads=(TcpPort,),
    judge=judge,
    service="remote-shell",
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:U/EM:A"},
    remedy=SMALL_SERVICES_OFF,
    controls=("MA-4(6)", "CM-7", "SC-8(1)"),
    reach=Reach.LOOK,
    version="2",
)
