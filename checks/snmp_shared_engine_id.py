"""Two devices state the same SNMP engine id.

Fails when
    Another device of this review states the same snmpEngineID; two addresses of one device are one device.
Passes when
    No other device of this review does.
Unknown when
    No engine answers the discovery, or it names no engine.
Reach
    ask: the discovery of snmp-v3-missing; nothing more is sent for the comparison.
Why it matters
    Keys of SNMPv3 users are made from password and engine id: an attacker who reads them from one device has them for all, and
    a response of one can be replayed as another's.
Sources
    RFC 3411, section 3.1.1.1; RFC 3414, section 2.6; NIST SP 800-53 Rev. 5, IA-3 and CM-6
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, passed, unknown
from hardenprobe.checking.check import SharedValue
from hardenprobe.checking.views.snmp import absent
from hardenprobe.facts import SnmpAnswer, SnmpEngine
from hardenprobe.remediation.snmp import SNMP_ENGINE_ID

EXPECTED = "no other device states this engine id"
SHOWN = 4  # devices that a sentence names
ENGINE_ID = SharedValue(
    facts=(SnmpEngine,), values=lambda facts: [facts.engine_id] if facts.engine_id else []
)


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Look every engine id up among the other devices."""
    engines = [o for o in seen.of(SnmpEngine) if o.facts.engine_id]
    if not engines:
        unread = [o for o in seen.of(SnmpEngine) if o.facts.fault]
        if unread:
            yield unknown(unread[0], f"the discovery cannot be read: {unread[0].facts.fault}", EXPECTED)
        else:
            yield absent(seen, EXPECTED, "the engine id")
        return
    for engine in engines:
        value = engine.facts.engine_id
        others = sorted(seen.fleet.labels[d] for d in seen.fleet.others(ENGINE_ID, value, seen.device.id))
        if others:
            named = ", ".join(others[:SHOWN]) + (
                f" and {len(others) - SHOWN} more" if len(others) > SHOWN else ""
            )
            yield fail(engine, f"engine {value} is stated by {named} as well", EXPECTED, value=others)
        else:
            yield passed(engine, f"engine {value} is this device's alone", EXPECTED, value=value)


CHECK = Check(
    id="snmp-shared-engine-id",
    document=__doc__,
    reads=(SnmpAnswer, SnmpEngine),
    judge=judge,
    compares=(ENGINE_ID,),
    vectors={"": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:A/EM:A"},
    remedy=SNMP_ENGINE_ID,
    controls=("IA-3", "CM-6"),
    version="2",
)
