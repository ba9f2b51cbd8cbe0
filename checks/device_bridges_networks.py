"""The device joins two networks.

Fails when
    Two interfaces that are up hold addresses in different subnets, or ipForwarding is 1; each is a subject of its own.
Passes when
    No second interface that is up holds an address in another subnet, and forwarding is off or not shown. Loopback, tunnels
    and rows without an address are no second interface, and neither are link-local addresses.
Unknown when
    The interfaces or their addresses cannot be read: no default community is answered and none of the fleet's was given,
    or the view does not hold them.
Reach
    ask: GetNext over ifType, ifOperStatus, ipForwarding and the address tables, with a default community or one of the fleet's own.
Why it matters
    A device in two networks is a path around the filter between them.
Sources
    RFC 2863, ifOperStatus; RFC 4293, ipForwarding, ipAddressTable and ipAddrTable; IANAifType-MIB; NIST SP 800-53 Rev. 5, SC-7 and CM-7
"""

from __future__ import annotations

from collections.abc import Iterable
from ipaddress import IPv4Network, IPv6Network, ip_network
from itertools import combinations

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, passed, unknown
from hardenprobe.checking.views.snmp import absent
from hardenprobe.facts import SnmpAnswer, SnmpEngine, SnmpObjects
from hardenprobe.remediation.fleet import SEPARATE_NETWORKS

EXPECTED = "addresses in one subnet only, and nothing is forwarded"
LOOPBACK, PROP_VIRTUAL, TUNNEL = 24, 53, 131  # IANAifType-MIB
FORWARDING = 1


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Compare the subnets of interfaces; look at forwarding. The first reading that shows either settles it."""
    told = [o for o in seen.of(SnmpObjects) if o.facts.interfaces or o.facts.forwarding is not None]
    if not told:
        yield absent(seen, EXPECTED, "the table of interfaces")
        return
    one, facts = told[0], told[0].facts
    if facts.forwarding == FORWARDING:
        yield fail(one, "ipForwarding is 1", EXPECTED, subject="forwarding", vector="forwarding")
    up = {i.index for i in facts.interfaces if i.up and i.type not in (LOOPBACK, PROP_VIRTUAL, TUNNEL)}
    networks = _networks(facts, up)
    apart = [
        (a, b) for a, b in combinations(networks, 2)
        if a[0] != b[0] and not (a[1].version == b[1].version and a[1].overlaps(b[1]))
    ]  # fmt: skip
    if apart:
        shown = sorted({str(network) for pair in apart for _, network in pair})
        text = f"{len({i for pair in apart for i, _ in pair})} interfaces are up in {', '.join(shown[:6])}"
        yield fail(one, text, EXPECTED, value=shown, subject="interfaces", vector="interfaces")
    elif facts.forwarding == FORWARDING:
        return
    elif facts.fault or not facts.interfaces:
        yield unknown(one, f"the interfaces are not all shown: {facts.fault or 'out of view'}", EXPECTED)
    elif len(up) > 1 and not networks:
        yield unknown(one, f"{len(up)} interfaces are up, and their addresses are not shown", EXPECTED)
    else:
        text = f"{len(up)} interface up, forwarding {'off' if facts.forwarding else 'not shown'}"
        yield passed(one, text, EXPECTED)


def _networks(facts: SnmpObjects, up: set[str]) -> list[tuple[str, IPv4Network | IPv6Network]]:
    """Interface and subnet of every address that reaches beyond its own link."""
    found = [(s.interface, ip_network(s.network)) for s in facts.subnets if s.interface in up]
    return [(i, network) for i, network in found if not (network.is_link_local or network.is_loopback)]


CHECK = Check(
    id="device-bridges-networks",
    document=__doc__,
    reads=(SnmpAnswer, SnmpEngine, SnmpObjects),
    judge=judge,
    # Forwarding is a way for packets; a second leg alone is a way for an attacker who has taken the device.
    vectors={
        "forwarding": "AV:A/AC:M/Au:N/C:P/I:P/A:N/PL:A/EM:A",
        "interfaces": "AV:A/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:P",
    },
    remedy=SEPARATE_NETWORKS,
    controls=("SC-7", "CM-7"),
    version="3",
)
