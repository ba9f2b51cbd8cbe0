"""A wireless interface is up beside a wired one.

Fails when
    An IEEE 802.11 interface and an Ethernet interface are both up: direct wireless, or a second way into the device.
Passes when
    The table of interfaces is shown, and no wireless interface in it is up beside a wired one.
Unknown when
    The table is not shown or not whole, or a listed community or user does not let itself be read. So it is where several
    Ethernet interfaces are up: agents that report a radio as Ethernet are common practice.
Reach
    ask: GetNext over the table of interfaces; no radio is used.
Why it matters
    Anyone in range reaches the device past every filter of the wired network, often with a printed or default key.
Sources
    RFC 2863, ifTable; RFC 3635 (one ifType for Ethernet of every speed, and those that it replaces);
    IANAifType-MIB; NIST SP 800-53 Rev. 5, AC-18 and CM-7
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, note, passed, unknown
from hardenprobe.checking.views.snmp import readings
from hardenprobe.facts import SnmpAnswer, SnmpEngine, SnmpObjects
from hardenprobe.remediation.fleet import SEPARATE_NETWORKS

EXPECTED = "no wireless interface is up beside a wired one"
WIRELESS = 71  # IANAifType-MIB: ieee80211
WIRED = {
    6,
    26,
    62,
    69,
    117,
}  # ethernetCsmacd, and its deprecated kin: ethernet3Mbit, fastEther, fastEtherFX, gigabitEthernet


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the first reading that shows interfaces."""
    found, missing = readings(seen, EXPECTED, "the table of interfaces", lambda facts: bool(facts.interfaces))
    yield from missing
    for one in found[:1]:
        up = [i.type for i in one.facts.interfaces if i.up]
        wireless, wired = up.count(WIRELESS), sum(kind in WIRED for kind in up)
        if wireless and wired:
            yield fail(one, f"{wireless} wireless and {wired} wired up", EXPECTED)
        elif one.facts.fault:
            yield unknown(one, f"the interfaces are not all shown: {one.facts.fault}", EXPECTED)
        elif wireless:
            yield note(one, "connected by wireless alone", EXPECTED)
        elif wired > 1:
            text = f"{wired} Ethernet interfaces are up; a radio may be among them"
            yield unknown(one, text, EXPECTED)
        else:
            yield passed(one, "no wireless interface is up", EXPECTED)


CHECK = Check(
    id="wireless-beside-wire",
    document=__doc__,
    reads=(SnmpAnswer, SnmpEngine, SnmpObjects),
    judge=judge,
    # As a second leg in another network: a way for an attacker in range.
    vectors={"": "AV:A/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:P"},
    remedy=SEPARATE_NETWORKS,
    controls=("AC-18", "CM-7"),
    version="2",
)
