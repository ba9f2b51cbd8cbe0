"""TLS compression is negotiated.

Fails when
    A server picks compression when it is offered.
Passes when
    Every version that could compress picks none.
Unknown when
    A version below TLS 1.3 could not be asked, or the port closes or is silent.
Reach
    ask: compression is offered in the hellos for the versions, with one more where TLS 1.3 was
    offered beside them, which has none.
Why it matters
    The length of compressed data discloses secrets, such as a session cookie (CVE-2012-4929).
Sources
    CVE-2012-4929; RFC 9325 section 3.3; RFC 3749
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome
from hardenprobe.checking.views.tls import judge_hellos
from hardenprobe.facts import HttpAnswer, TcpPort, TlsPort
from hardenprobe.remediation.tls import TLS_COMPRESSION_OFF

EXPECTED = "no version of TLS negotiates compression"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result a port."""
    return judge_hellos(
        seen,
        EXPECTED,
        lambda port: port.compression,
        bad=True,
        fails="compression in {}",
        passes="no compression (offered in {})",
    )


CHECK = Check(
    id="tls-compression",
    document=__doc__,
    reads=(TcpPort, TlsPort, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    # On the path, and able to have the client send what is compared; the NVD's vector was not read.
    vectors={"": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:U/EM:A"},
    remedy=TLS_COMPRESSION_OFF,
    controls=("SC-8(1)",),
    version="2",
)
