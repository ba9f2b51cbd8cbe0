"""A ChangeCipherSpec is accepted before keys are agreed.

Fails when
    A ChangeCipherSpec right after the hellos is not refused (CVE-2014-0224).
Passes when
    It is refused with an alert or a closed connection, or no version is accepted that has it.
Unknown when
    The server is silent, the probe could not finish or was not granted, or the port closes or is silent. Where another
    implementation finds the opposite: error.
Reach
    strain: one connection with messages that a healthy client would not send, and some twenty for all three flaws by another
    implementation; what a device leaks is dropped.
Why it matters
    An attacker on the path can make both sides use keys that the attacker knows.
Sources
    CVE-2014-0224; RFC 5246 section 7.1
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reach
from hardenprobe.checking.views.tls import judge_flaw
from hardenprobe.facts import HttpAnswer, TcpPort, TlsFlaws, TlsPort
from hardenprobe.remediation.tls import TLS_FIRMWARE

EXPECTED = "a ChangeCipherSpec before the keys is refused"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result a port."""
    return judge_flaw(seen, "early_ccs", "an early ChangeCipherSpec was not refused", EXPECTED)


CHECK = Check(
    id="tls-early-ccs",
    document=__doc__,
    reads=(TcpPort, TlsPort, TlsFlaws, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    # A flaw and no configuration: the base metrics are the NVD's for CVE-2014-0224, CVSS version 2.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:N"},
    remedy=TLS_FIRMWARE,
    controls=("SI-2", "RA-5"),
    reach=Reach.STRAIN,
    version="3",
)
