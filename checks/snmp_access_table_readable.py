"""The SNMP access control or user table is readable.

Fails when
    vacmAccessTable can be read with a default community. Other subjects: "write view", where one of its rows lets SNMP
    version 1 or 2c write, which is shown here without writing anything; "users", where usmUserTable can be read.
Passes when
    A default community is answered, and neither table is in its view.
Unknown when
    No default community is answered, or reading ended early.
Reach
    ask: GetNext over one column of each table, at most twelve rows. Names of groups and users are not kept.
Why it matters
    The table tells an attacker which version, level and user to try, and whether a community that is overheard may also
    write.
Sources
    RFC 3415, section 4 (vacmAccessTable) and section 6 on who may read it; RFC 3414, section 5 (usmUserTable); RFC 3584,
    section 5; NIST SP 800-53 Rev. 5, AC-3 and AC-6
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, passed, unknown
from hardenprobe.checking.views.snmp import absent
from hardenprobe.facts import SnmpAnswer, SnmpEngine, SnmpObjects
from hardenprobe.remediation.snmp import SNMP_VIEW

EXPECTED = "the access and user tables are not readable with a default community"
ANY, VERSION_1, VERSION_2C = 0, 1, 2  # SnmpSecurityModel, RFC 3411 section 5


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the rows that were read."""
    read = [o for o in seen.of(SnmpObjects) if o.facts.origin == "default"]
    if not read:
        yield absent(seen, EXPECTED, "the access table")
    for one in read:
        rows = one.facts.access
        writing = [r for r in rows if r.writes and r.model in (ANY, VERSION_1, VERSION_2C)]
        if rows:
            yield fail(one, f"{len(rows)} rows of vacmAccessTable are read", EXPECTED, value=len(rows))
        elif one.facts.fault:
            yield unknown(one, f"reading ended early: {one.facts.fault}", EXPECTED)
        elif not one.facts.users:
            yield passed(one, "neither vacmAccessTable nor usmUserTable is shown", EXPECTED)
        if one.facts.users:
            text = f"{one.facts.users} rows of usmUserTable are read"
            yield fail(one, text, EXPECTED, value=one.facts.users, subject="users")
        if writing:
            text = f"{len(writing)} rows let version 1 or 2c write"
            yield fail(one, text, EXPECTED, value=len(writing), subject="write view", vector="write view")


CHECK = Check(
    id="snmp-access-table-readable",
    document=__doc__,
    reads=(SnmpAnswer, SnmpEngine, SnmpObjects),
    judge=judge,
    # That some community writes is shown; which one must still be overheard.
    vectors={
        "": "AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:A/EM:A",
        "write view": "AV:N/AC:M/Au:N/C:P/I:C/A:C/PL:R/EM:A",
    },
    remedy=SNMP_VIEW,
    controls=("AC-3", "AC-6"),
    version="2",
)
