"""A default SNMP community grants write access.

Fails when
    A published default community puts sysContact back as it was read: the Set is answered with noError.
Passes when
    The Set is refused with authorizationError: the community has no write access to any object.
Unknown when
    It is refused with noAccess, notWritable, readOnly, genErr or version 1's noSuchName, which concern sysContact alone
    while no other object is ever written; it is not answered; sysContact cannot be read; or no default community is answered.
Reach
    alter: sysContact is read, the very octets are written back, and it is read again at once; both are logged. It may
    write the device's flash, count as a change and raise traps. Only a scope that grants alter lets it run.
Why it matters
    Anyone who may write can send print jobs elsewhere, open closed services, or reset the device, without a password of their
    own.
Sources
    RFC 3416, sections 3 and 4.2.5; RFC 3413, section 3.2; RFC 1157, section 4.1.5; RFC 3418, sysContact; NIST SP 800-53 Rev. 5, AC-3 and AC-6
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reach
from hardenprobe.checking.views.snmp import absent, write_backs
from hardenprobe.facts import SnmpAnswer, SnmpEngine, SnmpWriteBack
from hardenprobe.remediation.snmp import SNMP_WRITE_OFF

EXPECTED = "no default community may write"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide community by community."""
    return list(write_backs(seen, "default", EXPECTED)) or [absent(seen, EXPECTED, "sysContact")]


CHECK = Check(
    id="snmp-default-community-write",
    document=__doc__,
    reads=(SnmpAnswer, SnmpEngine, SnmpWriteBack),
    judge=judge,
    # Everybody knows the community; settings of all kinds are open.
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:C/A:C/PL:R/EM:A"},
    remedy=SNMP_WRITE_OFF,
    controls=("AC-3", "AC-6"),
    reach=Reach.ALTER,
    version="2",
)
