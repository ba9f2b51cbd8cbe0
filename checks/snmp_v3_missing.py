"""SNMP version 1 or 2c answers and version 3 does not.

Fails when
    Version 1 or 2c answers, and no engine answers the discovery of version 3.
Passes when
    An engine answers the discovery.
Unknown when
    Nothing answers, or the answer to the discovery could not be read.
Reach
    ask: one engine discovery, sent twice at most; no secret is needed.
Why it matters
    Without version 3 the device cannot be monitored without sending a password in cleartext.
Sources
    RFC 3414, section 4; RFC 3410, section 8; NIST SP 800-53 Rev. 5, IA-5 and SC-8
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reason, State, Word, fail, passed, unknown
from hardenprobe.facts import SnmpAnswer, SnmpEngine
from hardenprobe.model import Said
from hardenprobe.remediation.general import SNMP_V3

EXPECTED = "where SNMP answers at all, version 3 answers"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the discovery, once something shows that an agent is there."""
    answered = {o.endpoint: o.facts.version for o in seen.of(SnmpAnswer) if o.facts.error_status is not None}
    engines = seen.of(SnmpEngine)
    if not engines:
        text = Said(text="version 3 was not asked")
        yield Outcome(
            word=Word.UNKNOWN, observed=text, expected=Said(text=EXPECTED), reason=Reason.INCONCLUSIVE
        )
    for engine in engines:
        facts = engine.facts
        if facts.engine_id:
            yield passed(engine, f"engine {facts.engine_id} answers", EXPECTED, value=facts.engine_id)
        elif facts.state is State.ACCEPTING:
            why = facts.fault or "it names no engine"
            yield unknown(engine, f"the answer to the discovery cannot be read: {why}", EXPECTED)
        elif engine.endpoint in answered:
            yield fail(engine, f"version {answered[engine.endpoint]} answers, version 3 does not", EXPECTED)
        elif facts.state is State.REFUSING:
            text = Said(text="no SNMP agent: the port is unreachable")
            yield Outcome(
                word=Word.NOTAPPLICABLE, observed=text, expected=Said(text=EXPECTED), proof=(engine.id,)
            )
        else:
            yield unknown(engine, "nothing answers to any version", EXPECTED, reason=Reason.SILENT)


CHECK = Check(
    id="snmp-v3-missing",
    document=__doc__,
    reads=(SnmpAnswer, SnmpEngine),
    judge=judge,
    vectors={"": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:A/EM:A"},
    remedy=SNMP_V3,
    controls=("IA-5", "SC-8(1)"),
    by_absence=True,
    version="2",
)
