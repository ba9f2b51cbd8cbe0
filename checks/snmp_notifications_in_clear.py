"""SNMP notifications leave the device in clear.

Fails when
    A receiver of notifications is set that is sent SNMP version 1 or 2c, or version 3 below authentication with privacy.
    Another subject, "receiver": a receiver is set that the baseline's networks (`receivers`) do not hold.
Passes when
    Every receiver that is shown is sent version 3 with authentication and privacy, and lies in those networks.
Unknown when
    No receiver is shown: devices may keep them where the standard tables do not show them. So it is where the parameters
    of a receiver, or the table of notifications that would name it, are not shown, where not all rows were read, or a
    listed community or user does not let itself be read.
Reach
    ask: GetNext over the tables of receivers, with a community or user that is answered; nothing is set.
Why it matters
    A notification of version 1 or 2c carries its community, and what happens on the device, to everyone on the way.
Sources
    RFC 3413, sections 4.1 and 4.2 (snmpTargetAddrTable, snmpTargetParamsTable, snmpNotifyTable); RFC 3411, section 3.4.3; NIST
    SP 800-53 Rev. 5, AC-4 and SC-8(1)
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hardenprobe import Check, DeviceView, Outcome, fail, passed, unknown
from hardenprobe.addresses.sets import AddressSet
from hardenprobe.checking.views.snmp import readings
from hardenprobe.facts import NotificationTarget, SnmpAnswer, SnmpEngine, SnmpObjects
from hardenprobe.remediation.snmp import SNMP_NOTIFICATIONS


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Who may be sent notifications.

    Attributes:
        receivers: Networks that hold every approved receiver; empty where the site has not said.
    """

    receivers: tuple[str, ...] = ()


EXPECTED = "notifications leave by SNMPv3 with authentication and privacy, to approved receivers"
AUTH_PRIV = 3  # SnmpSecurityLevel, RFC 3411 section 5
VERSION_3 = 3
VERSIONS = {0: "1", 1: "2c", 3: "3"}  # SnmpMessageProcessingModel, RFC 3411 section 5


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Decide receiver by receiver; a row that no notification names, or that is not active, sends nothing."""
    found, missing = readings(seen, EXPECTED, "the table of receivers", lambda facts: bool(_receivers(facts)))
    yield from missing
    approved = AddressSet.of(expect.receivers)
    for one in found:
        receivers = _receivers(one.facts)
        in_clear = [r for r in receivers if r.model in (0, 1) or r.level in (1, 2)]
        clear = sorted({_sent(r) for r in in_clear if r.notified})
        strange = sorted(
            {r.address for r in receivers if expect.receivers and r.address and r.address not in approved}
        )
        if clear:
            yield fail(one, f"receivers are sent {', '.join(clear)}", EXPECTED, value=clear)
        if strange:
            text = f"{len(strange)} receivers outside the approved networks: {', '.join(strange[:6])}"
            yield fail(one, text, EXPECTED, value=strange, subject="receiver", vector="receiver")
        if any(r.model is None for r in receivers):
            yield unknown(one, "the parameters of a receiver are not shown", EXPECTED, subject="parameters")
        elif clear or strange:
            continue
        elif in_clear:
            text = f"receivers are set for {', '.join(sorted(set(map(_sent, in_clear))))}; whether anything is sent is not shown"
            yield unknown(one, text, EXPECTED)
        elif one.facts.fault:
            yield unknown(one, f"the receivers are not all shown: {one.facts.fault}", EXPECTED)
        else:
            yield passed(one, f"{len(receivers)} receivers, all sent version 3 with privacy", EXPECTED)


def _receivers(facts: SnmpObjects) -> list[NotificationTarget]:
    return [target for target in facts.targets if target.notified is not False]


def _sent(receiver: NotificationTarget) -> str:
    below = " below authPriv" if receiver.model == VERSION_3 and receiver.level != AUTH_PRIV else ""
    return f"version {VERSIONS.get(receiver.model or 0, receiver.model)}{below}"


CHECK = Check(
    id="snmp-notifications-in-clear",
    document=__doc__,
    reads=(SnmpAnswer, SnmpEngine, SnmpObjects),
    judge=judge,
    settings=Settings,
    # A community that is overheard reads on; an unapproved receiver learns what happens on the device.
    vectors={
        "": "AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:A/EM:A",
        "receiver": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:P",
    },
    remedy=SNMP_NOTIFICATIONS,
    controls=("AC-4", "SC-8(1)"),
    version="2",
)
