"""The device answers multicast DNS.

Fails when
    A query for the published service types, to 5353/udp of the device or to the group of its link, gets a response.
Passes when
    The port is unreachable and the group was asked on the device's link without an answer from it; or the port is silent from
    here and answers another vantage point.
Unknown when
    The port is unreachable and the group was not asked, since the scope grants no `multicast:LINK` that leads there; the port
    is silent; or the response is inconclusive. From
    another link silence proves nothing, since responders may ignore requests from another link.
Reach
    ask: one datagram, half a second; where discovery-credentials is selected, at most twelve more. Where the scope grants the
    link, its group is asked twice for all devices together.
Why it matters
    It discloses model, names, services and often more; where other links are answered, it can be abused for amplification.
Sources
    RFC 6762, sections 5.5, 6.7 and 11; RFC 6763, section 9; NIST SP 800-53 Rev. 5, CM-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome
from hardenprobe.checking.views.discovery import LINK_LOCAL_VECTORS, answered
from hardenprobe.facts import MdnsAnswer
from hardenprobe.remediation.discovery import DISCOVERY_OFF

EXPECTED = "no multicast DNS answer"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the answers to unicast questions."""
    return answered(seen, MdnsAnswer, EXPECTED, "multicast DNS", link_only=True, far="off-link")


CHECK = Check(
    id="discovery-mdns",
    document=__doc__,
    reads=(MdnsAnswer,),
    judge=judge,
    service="mdns",
    vectors=LINK_LOCAL_VECTORS,
    remedy=DISCOVERY_OFF,
    controls=("CM-7", "SC-7"),
    version="2",
)
