"""SNMP discloses personal data.

Fails when
    The contact, the operator, the service person or a job owner can be read with a default community and is not empty;
    each kind is a subject of its own.
Passes when
    A default community is answered and shows none of them.
Unknown when
    No default community is answered, or the answer could not be read.
Reach
    ask: GetNext over a few columns, at most twelve rows. The texts are not kept: only their number and their shape.
Why it matters
    Names, telephone numbers and who printed when help social engineering, and are personal data.
Sources
    RFC 3418, sysContact; RFC 3805, prtGeneralCurrentOperator and prtGeneralServicePerson; RFC 2707, jmJobOwner; NIST SP
    800-53 Rev. 5, AC-3 and SI-12(1)
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, passed, unknown
from hardenprobe.checking.views.snmp import absent
from hardenprobe.facts import SnmpAnswer, SnmpEngine, SnmpObjects
from hardenprobe.remediation.snmp import SNMP_PERSONAL

EXPECTED = "a default community discloses no personal data"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide kind by kind."""
    read = [o for o in seen.of(SnmpObjects) if o.facts.origin == "default"]
    if not read:
        yield absent(seen, EXPECTED, "contact, operator and job owners")
    for one in read:
        for found in one.facts.personal:
            text = f"{found.what}: {found.count} read, such as {found.masks[0] if found.masks else ''}"
            yield fail(one, text, EXPECTED, value=found.count, subject=found.what, vector=found.what)
        if one.facts.personal:
            continue
        if one.facts.fault:
            yield unknown(one, f"reading ended early: {one.facts.fault}", EXPECTED)
        else:
            yield passed(
                one, "contact, operator, service person and job owners are empty or not shown", EXPECTED
            )


_ONE = "AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:A/EM:A"  # a text that the owner chose
_MANY = "AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:A/EM:A"  # who prints, without anybody having chosen to tell

CHECK = Check(
    id="snmp-personal-data",
    document=__doc__,
    reads=(SnmpAnswer, SnmpEngine, SnmpObjects),
    judge=judge,
    vectors={"contact": _ONE, "operator": _ONE, "service person": _ONE, "job owner": _MANY},
    remedy=SNMP_PERSONAL,
    controls=("AC-3", "SI-12(1)"),
    version="2",
    worse="larger",
)
