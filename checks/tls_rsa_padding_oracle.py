"""RSA decryption discloses whether the padding is valid.

Fails when
    The responses to RSA key exchanges with valid and invalid padding differ (a Bleichenbacher-type oracle).
Passes when
    All are answered alike, or no key exchange by RSA is accepted.
Unknown when
    The server is silent, the probe could not finish or was not granted, or the port closes or is silent. Where another
    implementation finds the opposite: error.
Reach
    strain: five connections, ten where the answers differ with messages that a healthy client would not send, and some twenty for all three flaws by another
    implementation; what a device leaks is dropped.
Why it matters
    With enough questions, recorded traffic can be read and signatures made in the device's name.
Sources
    RFC 5246 section 7.4.7.1; RFC 9325 section 4.1; CVE-2017-13099 among others
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reach
from hardenprobe.checking.views.tls import judge_flaw
from hardenprobe.facts import HttpAnswer, TcpPort, TlsFlaws, TlsPort
from hardenprobe.remediation.tls import TLS_RSA_OFF

EXPECTED = "responses do not depend on the padding"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result a port."""
    return judge_flaw(seen, "padding_oracle", "responses to valid and invalid padding differ", EXPECTED)


CHECK = Check(
    id="tls-rsa-padding-oracle",
    document=__doc__,
    reads=(TcpPort, TlsPort, TlsFlaws, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    # A flaw and no configuration: the base metrics are the NVD's for CVE-2017-13099, CVSS version 2.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:N/A:N"},
    remedy=TLS_RSA_OFF,
    controls=("SI-2", "RA-5"),
    reach=Reach.STRAIN,
    version="3",
)
