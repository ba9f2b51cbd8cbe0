"""SNMP version 1 or 2c answers.

Fails when
    Version 1 or 2c answers a published default or a supplied community; each version is a subject of its own.
Passes when
    The port is unreachable, or it is silent from here and answers another vantage point.
Unknown when
    The port is silent: an agent that rejects a community does not answer either.
Reach
    ask: one read of the system group a version and community, sent twice at most.
Why it matters
    Every message carries the community in cleartext, and anyone who reads it can use it.
Sources
    RFC 3410, section 8; RFC 1157, section 4.1; RFC 3418; NIST SP 800-53 Rev. 5, IA-5 and SC-8
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from hardenprobe import Check, DeviceView, NoSettings, Observation, Outcome, State, fail, off_udp
from hardenprobe.facts import SnmpAnswer, SnmpEngine
from hardenprobe.remediation.general import SNMP_V1_V2C_OFF

EXPECTED = "SNMP versions 1 and 2c do not answer"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide version by version; the first community that is answered settles it."""
    asked = [o for o in seen.of(SnmpAnswer) if o.facts.origin != "control"]
    found = False
    for version in ("1", "2c"):
        answered = [o for o in asked if o.facts.version == version and o.facts.error_status is not None]
        if answered:
            found = True
            label = answered[0].facts.label
            yield fail(
                answered[0],
                f"version {version} answers community {label!r}",
                EXPECTED,
                subject=f"SNMPv{version}",
            )
    if not found:
        elsewhere = any(
            isinstance(o.facts, SnmpAnswer) and o.facts.error_status is not None for o in seen.elsewhere
        )
        refusing = [o for o in seen.of(SnmpEngine) if o.facts.state is State.REFUSING]
        questions: Sequence[Observation[Any]] = asked or refusing
        yield off_udp(questions, elsewhere, EXPECTED, "SNMP version 1 or 2c")


CHECK = Check(
    id="snmp-cleartext-version",
    document=__doc__,
    reads=(SnmpAnswer, SnmpEngine),
    judge=judge,
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:A/EM:A"},
    remedy=SNMP_V1_V2C_OFF,
    controls=("CM-7", "IA-5", "SC-8(1)"),
    version="2",
)
