"""The device answers NetBIOS name queries.

Fails when
    A node status request to 137/udp gets a node status response.
Passes when
    The port is unreachable, or it is silent from here and answers another vantage point.
Unknown when
    The port is silent, or the response is inconclusive.
Reach
    ask: one datagram, half a second.
Why it matters
    It discloses names and groups of the device, allows names to be taken over, and can be abused for amplification.
Sources
    RFC 1002, sections 4.2.17 and 4.2.18; US-CERT alert TA14-017A; NIST SP 800-53 Rev. 5, CM-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome
from hardenprobe.checking.views.discovery import LINK_LOCAL_VECTORS, answered
from hardenprobe.facts import NetbiosAnswer
from hardenprobe.remediation.discovery import DISCOVERY_OFF

EXPECTED = "no NetBIOS answer"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the answers to unicast questions."""
    return answered(seen, NetbiosAnswer, EXPECTED, "the NetBIOS name service", far="off-link")


CHECK = Check(
    id="discovery-netbios",
    document=__doc__,
    reads=(NetbiosAnswer,),
    judge=judge,
    service="netbios",
    vectors=LINK_LOCAL_VECTORS,
    remedy=DISCOVERY_OFF,
    controls=("CM-7", "SC-7"),
    version="2",
)
