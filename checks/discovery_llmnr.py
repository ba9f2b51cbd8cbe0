"""The device answers LLMNR.

Fails when
    A query for the device's own name, or where none is known for the name of its address, gets a response over UDP
    5355, by unicast or by its link's group, or over 5355/tcp where that is open.
Passes when
    The port is unreachable and the group was asked on the device's link without an answer from it; or the port is silent from
    here and answers another vantage point.
Unknown when
    The port is unreachable and the group was not asked, since the scope grants no `multicast:LINK` that leads there; the port
    is silent; or the response is inconclusive. Responders
    ignore unicast queries over UDP by the standard.
Reach
    ask: one datagram, and one connection where 5355/tcp is open; where the scope grants the link, two to its group
    for each device.
Why it matters
    A responder discloses its name and address to everyone on the link. Devices that ask by LLMNR themselves (queriers) can be
    deceived by the first answer; that is another setting, which this check does not test.
Sources
    RFC 4795, sections 2.4 and 5.3; NIST SP 800-53 Rev. 5, CM-7 and SC-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome
from hardenprobe.checking.views.discovery import LINK_LOCAL_VECTORS, answered
from hardenprobe.facts import LlmnrAnswer
from hardenprobe.remediation.discovery import DISCOVERY_OFF

EXPECTED = "no LLMNR answer"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the answers to unicast questions."""
    return answered(seen, LlmnrAnswer, EXPECTED, "LLMNR", link_only=True, far="off-link")


CHECK = Check(
    id="discovery-llmnr",
    document=__doc__,
    reads=(LlmnrAnswer,),
    judge=judge,
    service="llmnr",
    vectors=LINK_LOCAL_VECTORS,
    remedy=DISCOVERY_OFF,
    controls=("CM-7", "SC-7"),
    version="2",
)
