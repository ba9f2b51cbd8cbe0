"""An SNMPv3 user is served below authentication with privacy.

Fails when
    A supplied user is served at noAuthNoPriv or authNoPriv; each level is a subject of its own.
Passes when
    The user is served at authPriv and denied below it.
Unknown when
    No user was given, the device was not confirmed without a secret, the user is not known there, its digest or key is
    wrong, or a level was not answered.
Reach
    ask: one discovery and one Get for each level that the supplied pair allows, the weakest first. A wrong digest stops
    the user for the whole fleet.
Why it matters
    Without privacy anyone on the path can read the traffic; without authentication the user name alone gives access.
Sources
    RFC 3411, section 3.4.3 (security levels); RFC 3415, section 3.2; RFC 3410, section 8; NIST SP 800-53 Rev. 5, IA-5 and SC-8
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reason, fail, passed, unknown
from hardenprobe.checking.views.snmp import untried
from hardenprobe.facts import SnmpEngine, SnmpUser
from hardenprobe.remediation.snmp import SNMP_V3_LEVEL

EXPECTED = "SNMPv3 users are served at authPriv only"
BELOW = ("noAuthNoPriv", "authNoPriv")


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide user by user, level by level."""
    users = seen.of(SnmpUser)
    if not users:
        yield untried(EXPECTED, "no SNMPv3 user was tried on this device")
    for user in users:
        facts, subject = user.facts, f'user "{user.facts.name}"'
        if facts.withheld:
            yield unknown(user, facts.withheld, EXPECTED, reason=Reason.NO_CREDENTIAL, subject=subject)
            continue
        below = [level for level in BELOW if facts.levels.get(level) == "served"]
        for level in below:
            yield fail(
                user,
                f"served at {level}",
                EXPECTED,
                value=level,
                subject=f"{subject} at {level}",
                vector=level,
            )
        if below:
            continue
        told = ", ".join(f"{level} {word}" for level, word in facts.levels.items()) or "nothing was tried"
        denied = all(facts.levels.get(level) == "denied" for level in BELOW)
        if denied and facts.levels.get("authPriv") == "served":
            yield passed(user, told, EXPECTED, subject=subject)
        else:
            yield unknown(user, told, EXPECTED, reason=Reason.NO_CREDENTIAL, subject=subject)


CHECK = Check(
    id="snmp-v3-below-authpriv",
    document=__doc__,
    reads=(SnmpUser, SnmpEngine),
    judge=judge,
    # A user name can be guessed or overheard; reading along needs a place on the way.
    vectors={
        "noAuthNoPriv": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "authNoPriv": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:U/EM:A",
    },
    remedy=SNMP_V3_LEVEL,
    controls=("IA-5", "SC-8(1)"),
    version="2",
)
