"""A heartbeat response discloses the device's memory.

Fails when
    A heartbeat that claims more than it holds is answered with more than was sent (CVE-2014-0160).
Passes when
    It is refused with an alert or a closed connection, or no version is accepted that has heartbeats.
Unknown when
    The server is silent, the probe could not finish or was not granted, or the port closes or is silent. Where another
    implementation finds the opposite: error.
Reach
    strain: one connection with messages that a healthy client would not send, and some twenty for all three flaws by another
    implementation; what a device leaks is dropped.
Why it matters
    Passwords, documents and the key itself can be read from the device's memory by anyone who reaches the port, without a trace.
Sources
    CVE-2014-0160; RFC 6520 section 4
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reach
from hardenprobe.checking.views.tls import judge_flaw
from hardenprobe.facts import HttpAnswer, TcpPort, TlsFlaws, TlsPort
from hardenprobe.remediation.tls import TLS_FIRMWARE

EXPECTED = "no heartbeat is answered with memory that was not sent"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result a port."""
    return judge_flaw(seen, "heartbleed", "a heartbeat was answered with memory that was not sent", EXPECTED)


CHECK = Check(
    id="tls-heartbleed",
    document=__doc__,
    reads=(TcpPort, TlsPort, TlsFlaws, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    # A flaw and no configuration: the base metrics are the NVD's for CVE-2014-0160, CVSS version 2.
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:N/A:N"},
    remedy=TLS_FIRMWARE,
    controls=("SI-2", "RA-5"),
    reach=Reach.STRAIN,
    version="3",
)
