"""snmp-amplification: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.checks.snmp_amplification import CHECK, Settings
from hardenprobe.facts import SnmpBulk
from hardenprobe.model import Observation, Reach, Reason, State, Word
from hardenprobe.testing import at, seen_device, snmp_answer

EXPECT = Settings(factor=5.0)


def bulk(
    sent: int = 40, received: int = 0, state: State = State.ACCEPTING, fault: str | None = None
) -> Observation[Any]:
    facts = SnmpBulk(
        label="public",
        origin="default",
        state=state,
        repetitions=10,
        sent=sent,
        received=received,
        fault=fault,
    )
    return at(161, facts, transport="udp", protocol="snmp")


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([bulk(received=201)], Word.FAIL, None, id="above"),
        pytest.param(
            [bulk(received=200)], Word.INFORMATIONAL, None, id="at the factor, with ten repetitions"
        ),
        pytest.param([bulk(received=900, fault="no BER")], Word.FAIL, None, id="long, whatever it says"),
        pytest.param([bulk(received=90, fault="no BER")], Word.UNKNOWN, Reason.INCONCLUSIVE, id="unreadable"),
        pytest.param([bulk(state=State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="lost"),
        pytest.param([snmp_answer("1")], Word.UNKNOWN, Reason.INCONCLUSIVE, id="version 1 alone answers"),
        pytest.param([snmp_answer(state=State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="silent"),
        pytest.param([snmp_answer(state=State.REFUSING)], Word.NOTAPPLICABLE, None, id="unreachable"),
    ],
)
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), EXPECT)
    assert (outcome.word, outcome.reason) == (word, reason)
    assert CHECK.reach is Reach.STRAIN


@given(st.integers(1, 2000), st.integers(0, 65507))
def test_it_fails_exactly_above_the_factor(sent: int, received: int) -> None:
    (outcome,) = CHECK.judge(seen_device(bulk(sent, received)), EXPECT)
    assert (outcome.word is Word.FAIL) == (received > 5 * sent)
