"""A default SNMP community grants read access.

Fails when
    Any matching response comes to a published default community, whatever the view holds; an agent that answers a
    random community as well answers any, which is a subject of its own.
Passes when
    The port is unreachable; or every default stays silent, and the same address answers a supplied community or another
    vantage point.
Unknown when
    The port is silent: a wrong community is answered by silence.
Reach
    ask: at most three published defaults, and one control with a random community where one of them is answered.
Why it matters
    The default is public knowledge: names, addresses, jobs, counters and often settings are open to the whole network.
Sources
    RFC 1157, section 4.1; RFC 3584, section 5; common practice (no published requirement) for the list of defaults; NIST SP 800-53
    Rev. 5, IA-5
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from hardenprobe import Check, DeviceView, NoSettings, Observation, Outcome, State, fail, off_udp, passed
from hardenprobe.facts import SnmpAnswer, SnmpEngine
from hardenprobe.remediation.general import SNMP_COMMUNITY

EXPECTED = "no default community is answered"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide community by community."""
    answers = seen.of(SnmpAnswer)
    anybody = [o for o in answers if o.facts.origin == "control" and o.facts.error_status is not None]
    defaults = [o for o in answers if o.facts.origin == "default"]
    answered = [o for o in defaults if o.facts.error_status is not None]
    if anybody:
        what = "a random community is answered, so any is"
        yield fail(anybody[0], what, EXPECTED, subject="answers any community")
    elif answered:
        by_label = {o.facts.label: o for o in reversed(answered)}
        for label, answer in by_label.items():
            read = len(answer.facts.values or {})
            what = f"community {label!r} is answered with {read} values"
            yield fail(answer, what, EXPECTED, subject=f'community "{label}"')
    elif defaults and _rejected(answers, defaults):
        text = "silent to every default community, while a supplied one is answered"
        yield passed(defaults[0], text, EXPECTED)
    else:
        elsewhere = any(
            isinstance(o.facts, SnmpAnswer) and o.facts.error_status is not None for o in seen.elsewhere
        )
        refusing = [o for o in seen.of(SnmpEngine) if o.facts.state is State.REFUSING]
        questions: Sequence[Observation[Any]] = defaults or refusing
        yield off_udp(questions, elsewhere, EXPECTED, "SNMP version 1 or 2c")


def _rejected(
    answers: Sequence[Observation[SnmpAnswer]], defaults: Sequence[Observation[SnmpAnswer]]
) -> bool:
    """The agent is there and answers us, so that its silence to a default is a refusal (RFC 1157 section 4.1)."""
    heard = {o.endpoint for o in answers if o.facts.origin == "supplied" and o.facts.error_status is not None}
    return all(o.facts.state is State.SILENT and o.endpoint in heard for o in defaults)


CHECK = Check(
    id="snmp-default-community-read",
    document=__doc__,
    reads=(SnmpAnswer, SnmpEngine),
    judge=judge,
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:A/EM:A"},
    remedy=SNMP_COMMUNITY,
    controls=("AC-3", "IA-5"),
    version="2",
)
