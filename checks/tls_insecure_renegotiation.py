"""Secure renegotiation is not supported.

Fails when
    A version below TLS 1.3 is accepted and the server does not answer with renegotiation_info.
Passes when
    Every such version answers with it, or only TLS 1.3 is accepted.
Unknown when
    A version below TLS 1.3 could not be asked, or the port closes or is silent.
Reach
    ask: the extension is offered in the hellos for the versions, in SSL 3.0 by the signalling suite.
Why it matters
    An attacker on the path can insert data before a user's request, and the device processes both as one (CVE-2009-3555).
Sources
    RFC 5746; RFC 9325 section 3.5; CVE-2009-3555
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome
from hardenprobe.checking.views.tls import judge_hellos
from hardenprobe.facts import HttpAnswer, TcpPort, TlsPort
from hardenprobe.remediation.tls import TLS_RENEGOTIATION

EXPECTED = "every version below TLS 1.3 answers with renegotiation_info"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result a port. Whether the device renegotiates at all is not tried, so the text says what is missing."""
    return judge_hellos(
        seen,
        EXPECTED,
        lambda port: port.secure_renegotiation,
        bad=False,
        fails="no renegotiation_info in {}; renegotiation itself was not tried",
        passes="renegotiation_info or no renegotiation: {}",
    )


CHECK = Check(
    id="tls-insecure-renegotiation",
    document=__doc__,
    reads=(TcpPort, TlsPort, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    # Whether renegotiation happens at all is not known here; the NVD's vector was not read.
    vectors={"": "AV:N/AC:H/Au:N/C:N/I:P/A:N/PL:U/EM:A"},
    remedy=TLS_RENEGOTIATION,
    controls=("SC-8(1)", "SC-23"),
    version="2",
)
