"""hardenprobe.checking.views.snmp: what is said where an object could not be read."""

from __future__ import annotations

import pytest

from hardenprobe.checking.views.snmp import absent
from hardenprobe.facts import SnmpEngine
from hardenprobe.model import Reason, State, Word
from hardenprobe.testing import at, seen_device, snmp_answer

ENGINE = at(161, SnmpEngine(state=State.ACCEPTING, engine_id="80"), transport="udp")
SILENT = snmp_answer(state=State.SILENT)


@pytest.mark.parametrize(
    ("observations", "reason", "says"),
    [
        pytest.param(
            [snmp_answer("1")], Reason.INCONCLUSIVE, "a default community is answered", id="answered"
        ),
        pytest.param([SILENT, ENGINE], Reason.NO_CREDENTIAL, "no default community is answered", id="engine"),
        pytest.param([SILENT], Reason.SILENT, "no default community is answered", id="silent"),
        pytest.param([], Reason.INCONCLUSIVE, "not asked", id="not asked"),
    ],
)
def test_the_text_says_whether_a_default_community_was_answered(
    observations: list[object], reason: Reason, says: str
) -> None:
    outcome = absent(seen_device(*observations), "expected", "the object")  # type: ignore[arg-type]

    assert (outcome.word, outcome.reason) == (Word.UNKNOWN, reason)
    assert says in outcome.observed.text
    assert ("no default community" in outcome.observed.text) == ("no default community" in says)
