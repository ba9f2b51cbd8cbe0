"""The device answers SSDP.

Fails when
    A search for a root device to 1900/udp, by unicast or by its link's group, gets a response.
Passes when
    The port is unreachable and the group was asked on the device's link without an answer from it; or the port is silent from
    here and answers another vantage point.
Unknown when
    The port is unreachable and the group was not asked, since the scope grants no `multicast:LINK` that leads there; the port
    is silent; or the response is inconclusive.
Reach
    ask: one or two datagrams, half a second and one and a half; where the scope grants the link, its group is
    asked twice for all devices together.
Why it matters
    It discloses model and address of the description; where other links are answered, it can be abused for amplification.
Sources
    UPnP Device Architecture 2.0, section 1.3; US-CERT alert TA14-017A; NIST SP 800-53 Rev. 5, CM-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome
from hardenprobe.checking.views.discovery import LINK_LOCAL_VECTORS, answered
from hardenprobe.facts import SsdpAnswer
from hardenprobe.remediation.discovery import DISCOVERY_OFF

EXPECTED = "no SSDP answer"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the answers to unicast questions."""
    return answered(seen, SsdpAnswer, EXPECTED, "SSDP", link_only=True, far="off-link")


CHECK = Check(
    id="discovery-ssdp",
    document=__doc__,
    reads=(SsdpAnswer,),
    judge=judge,
    service="ssdp",
    vectors=LINK_LOCAL_VECTORS,
    remedy=DISCOVERY_OFF,
    controls=("CM-7", "SC-7"),
    version="2",
)
