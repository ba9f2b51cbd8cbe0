"""A small service answers datagrams.

Fails when
    7/udp, 13/udp, 17/udp or 19/udp answers a short datagram: echo, daytime, quote of the day or chargen; each is a subject of its own.
Passes when
    The ports are unreachable, or silent from here while they answer another vantage point.
Unknown when
    A port is silent, or the response is not the service's.
Reach
    ask: one datagram of eight bytes a port, half a second each.
Why it matters
    The sender of a datagram can be forged: a response longer than the request allows amplification, and two small
    services can be made to answer each other without end.
Sources
    RFC 862; RFC 864; RFC 865; RFC 867; US-CERT alert TA14-017A; NIST SP 800-53 Rev. 5, CM-7 and SC-5
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome
from hardenprobe.checking.views.discovery import answered
from hardenprobe.facts import SmallServiceAnswer
from hardenprobe.remediation.discovery import SMALL_SERVICES_OFF

EXPECTED = "no small service answers a datagram"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the answers to unicast questions."""
    return answered(seen, SmallServiceAnswer, EXPECTED, "a small service", amplified="amplified")


CHECK = Check(
    id="udp-small-services",
    document=__doc__,
    reads=(SmallServiceAnswer,),
    judge=judge,
    service="small-services",
    # An answer no longer than the request feeds no flood, but for a loop with another such service.
    vectors={
        "": "AV:N/AC:M/Au:N/C:N/I:N/A:P/PL:ND/EM:A",
        "amplified": "AV:N/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:A",
    },
    remedy=SMALL_SERVICES_OFF,
    controls=("CM-7", "SC-5"),
)
