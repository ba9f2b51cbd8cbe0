"""The device answers WS-Discovery.

Fails when
    A probe to 3702/udp, by unicast or by its link's group, in the standard's namespace or in the draft's of April 2005, gets ProbeMatches.
Passes when
    The port is unreachable and the group was asked on the device's link without an answer from it; or the port is silent from
    here and answers another vantage point.
Unknown when
    The port is unreachable and the group was not asked, since the scope grants no `multicast:LINK` that leads there; the port
    is silent; or the response is inconclusive.
Reach
    ask: one or two datagrams, 0.8 seconds each; where the scope grants the link, its group is asked twice for all devices
    together.
Why it matters
    It discloses types and addresses of the device; where other links are answered, it can be abused for amplification.
Sources
    OASIS Web Services Dynamic Discovery Version 1.1, sections 5.2 and 5.3; NIST SP 800-53 Rev. 5, CM-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome
from hardenprobe.checking.views.discovery import LINK_LOCAL_VECTORS, answered
from hardenprobe.facts import WsDiscoveryAnswer
from hardenprobe.remediation.discovery import DISCOVERY_OFF

EXPECTED = "no WS-Discovery answer"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the answers to unicast questions."""
    return answered(seen, WsDiscoveryAnswer, EXPECTED, "WS-Discovery", link_only=True, far="off-link")


CHECK = Check(
    id="discovery-ws-discovery",
    document=__doc__,
    reads=(WsDiscoveryAnswer,),
    judge=judge,
    service="ws-discovery",
    vectors=LINK_LOCAL_VECTORS,
    remedy=DISCOVERY_OFF,
    controls=("CM-7", "SC-7"),
    version="2",
)
