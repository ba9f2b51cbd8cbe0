"""IPv6 gives the device away, or leads through it.

Fails when
    An IPv6 address that is valid beyond the link is made from the hardware address (subject "hardware address"), or
    ipv6IpForwarding is 1 (subject "forwarding").
Passes when
    The device's addresses and ipv6IpForwarding are shown, no address is such a one, and forwarding is off.
Unknown when
    SNMP shows IPv4 alone: the older table of addresses holds no others. So it is where not all rows were read, or
    ipv6IpForwarding is not shown.
Reach
    ask: the addresses that are known anyway, and two columns of SNMP with a community or user that is answered.
Why it matters
    An address that is made from the hardware address names the maker, stays the same in every network, and shrinks a sweep of
    a /64 to what can be swept. A device that forwards is a way around the routers' filters.
Sources
    RFC 8064, section 3; RFC 4291, appendix A (Modified EUI-64); RFC 4293 (ipv6IpForwarding, ipAddressTable); NIST SP 800-53
    Rev. 5, CM-7 and SC-7
"""

from __future__ import annotations

from collections.abc import Iterable
from ipaddress import IPv6Address, ip_address

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, passed, unknown
from hardenprobe.checking.views.snmp import readings
from hardenprobe.facts import SnmpAnswer, SnmpEngine, SnmpObjects, TcpPort
from hardenprobe.remediation.fleet import IPV6_PRIVACY

EXPECTED = "no IPv6 address from the hardware address, and no forwarding"
FORWARDING = 1


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Look at the addresses that are known, from whichever side, and at forwarding."""
    found, missing = readings(seen, EXPECTED, "the table of addresses", lambda facts: bool(facts.addresses))
    where = found[0] if found else next(iter((*seen.of(SnmpObjects), *seen.of(TcpPort))), None)
    known = {a.address for a in seen.device.addresses} | {a for one in found for a in one.facts.addresses}
    made = sorted(address for address in known if _from_hardware(address))
    forwarding = next((o for o in seen.of(SnmpObjects) if o.facts.ipv6_forwarding == FORWARDING), None)
    if made and where:
        yield fail(
            where,
            f"from the hardware address: {', '.join(made[:6])}",
            EXPECTED,
            value=made,
            subject="hardware address",
        )
    if forwarding:
        yield fail(forwarding, "ipv6IpForwarding is 1", EXPECTED, subject="forwarding", vector="forwarding")
    if made or forwarding:
        return
    yield from missing
    for one in found[:1]:
        count = sum(":" in address for address in known)
        if one.facts.fault:
            yield unknown(one, f"the addresses are not all shown: {one.facts.fault}", EXPECTED)
        elif not count and one.facts.ipv6_forwarding is None:
            yield unknown(one, "no IPv6 address is shown, and the older table holds none", EXPECTED)
        elif one.facts.ipv6_forwarding is None:
            yield unknown(
                one,
                f"{count} IPv6 addresses, none from the hardware address; forwarding is not shown",
                EXPECTED,
            )
        else:
            text = f"{count} IPv6 addresses, none from the hardware address; forwarding is off"
            yield passed(one, text, EXPECTED)


def _from_hardware(address: str) -> bool:
    """Whether the interface identifier is a Modified EUI-64 of an IEEE 48-bit address: 0xFFFE in its middle."""
    ip = ip_address(address)
    return isinstance(ip, IPv6Address) and not ip.is_link_local and ip.packed[11:13] == b"\xff\xfe"


CHECK = Check(
    id="ipv6-exposure",
    document=__doc__,
    reads=(TcpPort, SnmpAnswer, SnmpEngine, SnmpObjects),
    judge=judge,
    # What an address tells helps to find devices; forwarding is a way for packets, as that of device-bridges-networks.
    vectors={
        "": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:P",
        "forwarding": "AV:A/AC:M/Au:N/C:P/I:P/A:N/PL:A/EM:A",
    },
    remedy=IPV6_PRIVACY,
    controls=("CM-7", "SC-7"),
    version="3",
)
