"""The device answers the service location protocol.

Fails when
    A service request for service:printer to 427/udp, by unicast or by its link's group, gets a reply, whatever it holds, or
    an agent answers the group's request for agents.
Passes when
    The port is unreachable and the group was asked on the device's link without an answer from it; or the port is silent from
    here and answers another vantage point.
Unknown when
    The port is unreachable and the group was not asked, since the scope grants no `multicast:LINK` that leads there; the port
    is silent; or the response is inconclusive. An agent may
    ignore a request for a service that it does not have.
Reach
    ask: one datagram, half a second; where the scope grants the link, its group is asked twice for all devices together.
Why it matters
    It discloses what the device offers and where, and can be abused for amplification.
Sources
    RFC 2608, sections 6.1, 8.1, 8.2 and 8.6; CVE-2023-29552; NIST SP 800-53 Rev. 5, CM-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome
from hardenprobe.checking.views.discovery import LINK_LOCAL_VECTORS, answered
from hardenprobe.facts import SlpAnswer
from hardenprobe.remediation.discovery import DISCOVERY_OFF

EXPECTED = "no SLP answer"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the answers to unicast questions."""
    return answered(
        seen, SlpAnswer, EXPECTED, "the service location protocol", link_only=True, far="off-link"
    )


CHECK = Check(
    id="discovery-slp",
    document=__doc__,
    reads=(SlpAnswer,),
    judge=judge,
    service="slp",
    vectors=LINK_LOCAL_VECTORS,
    remedy=DISCOVERY_OFF,
    controls=("CM-7", "SC-7"),
    version="2",
)
