"""The device joins two networks.

Fails when
    Two interfaces other than loopback are up, or ipForwarding is 1; each is a subject of its own.
Passes when
    One interface is up and forwarding is off or not shown.
Unknown when
    The interfaces cannot be read: no default community is answered and none of the fleet's was given, or the view does
    not hold them.
Reach
    ask: GetNext over ifType, ifOperStatus and ipForwarding, with a default community or one of the fleet's own.
Why it matters
    A device with a leg in two networks is a way around the filter between them.
Sources
    RFC 2863, ifOperStatus; RFC 4293, ipForwarding; IANAifType-MIB; NIST SP 800-53 Rev. 5, SC-7 and CM-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe.checking.check import Check, NoSettings, Outcome, Seen, fail, passed
from hardenprobe.checking.views.snmp import absent
from hardenprobe.facts import SnmpAnswer, SnmpEngine, SnmpObjects
from hardenprobe.remediation.fleet import SEPARATE_NETWORKS

EXPECTED = "one interface is up and nothing is forwarded"
LOOPBACK = 24  # softwareLoopback, IANAifType-MIB
FORWARDING = 1


def judge(seen: Seen, expect: NoSettings) -> Iterable[Outcome]:
    """Count interfaces; look at forwarding. The first reading that shows either settles it."""
    told = [o for o in seen.of(SnmpObjects) if o.facts.interfaces or o.facts.forwarding is not None]
    if not told:
        yield absent(seen, EXPECTED, "the table of interfaces")
        return
    one = told[0]
    up = [i for i in one.facts.interfaces if i.up and i.type != LOOPBACK]
    if one.facts.forwarding == FORWARDING:
        yield fail(one, "ipForwarding is 1", EXPECTED, subject="forwarding", vector="forwarding")
    if len(up) > 1:
        text = f"{len(up)} interfaces are up, of the types {', '.join(str(i.type) for i in up)}"
        value = [i.type for i in up]
        yield fail(one, text, EXPECTED, value=value, subject="interfaces", vector="interfaces")
    if one.facts.forwarding != FORWARDING and len(up) <= 1:
        known = one.facts.forwarding is not None
        text = f"{len(up)} interface up, forwarding {'off' if known else 'not shown'}"
        yield passed(one, text, EXPECTED)


CHECK = Check(
    id="device-bridges-networks",
    document=__doc__,
    reads=(SnmpAnswer, SnmpEngine, SnmpObjects),
    judge=judge,
    # Forwarding is a way for packets; a second leg alone is a way for whoever has taken the device.
    vectors={
        "forwarding": "AV:A/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A",
        "interfaces": "AV:A/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:P",
    },
    remedy=SEPARATE_NETWORKS,
    controls=("SC-7", "CM-7"),
)
