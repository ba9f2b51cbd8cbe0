"""SNMP can be used for amplification.

Fails when
    One GetBulk of the system group with ten repetitions, under a default community, is answered with more payload bytes
    than the baseline's factor times those of the question.
Passes when
    Never. An answer at or below the factor is informational: an attacker may ask for more repetitions than ten.
Unknown when
    Version 2c does not answer a default community, or the answer was lost or cannot be read.
Reach
    strain: one GetBulk, sent once.
Why it matters
    An attacker who forges the sender's address lets the device flood a third party, with a factor of their own choosing.
Sources
    RFC 3416, section 4.2.3; RFC 8085, section 6; the factor: common practice (no published requirement); NIST SP 800-53 Rev. 5, SC-5
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated

from annotated_types import Gt

from hardenprobe import Check, DeviceView, Outcome, Reach, Reason, State, fail, note, unknown
from hardenprobe.checking.views.snmp import absent
from hardenprobe.facts import SnmpAnswer, SnmpBulk, SnmpEngine
from hardenprobe.remediation.snmp import SNMP_LIMIT_SOURCES


@dataclass(frozen=True, kw_only=True)
class Settings:
    """How much an answer may outweigh a question.

    Attributes:
        factor: Payload bytes of the answer over those of the question.
    """

    factor: Annotated[float, Gt(0)]


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Divide what came by what was sent."""
    expected = f"a response is at most {expect.factor:g} times as long as the request"
    bulks = seen.of(SnmpBulk)
    if not bulks:
        yield absent(seen, expected, "a bulk answer of version 2c")
    for bulk in bulks:
        facts = bulk.facts
        factor = round(facts.received / facts.sent, 1) if facts.sent else 0.0
        text = f"{facts.sent} bytes are answered with {facts.received} bytes, {factor:g} times as many"
        if facts.state is not State.ACCEPTING:
            yield unknown(bulk, "the bulk question was not answered", expected, reason=Reason.SILENT)
        elif facts.received > expect.factor * facts.sent:
            yield fail(bulk, text, expected, value=factor, wanted=expect.factor)
        elif facts.fault:
            yield unknown(bulk, f"the bulk answer cannot be read: {facts.fault}", expected)
        else:
            yield note(bulk, f"{text}; with ten repetitions only", expected, value=factor)


CHECK = Check(
    id="snmp-amplification",
    document=__doc__,
    reads=(SnmpAnswer, SnmpEngine, SnmpBulk),
    judge=judge,
    settings=Settings,
    vectors={"": "AV:N/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:A"},
    remedy=SNMP_LIMIT_SOURCES,
    controls=("SC-5", "SC-7"),
    worse="larger",
    reach=Reach.STRAIN,
    version="2",
)
