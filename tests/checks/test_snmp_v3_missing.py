"""snmp-v3-missing: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.snmp_v3_missing import CHECK
from hardenprobe.facts import SnmpEngine
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, snmp_answer


def engine(state: State, *, address: str = "127.0.9.10", **more: Any) -> Observation[Any]:
    return at(161, SnmpEngine(state=state, **more), transport="udp", protocol="snmp", address=address)


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param(
            [engine(State.SILENT), snmp_answer("2c")], Word.FAIL, None, id="v2c answers, v3 does not"
        ),
        pytest.param([engine(State.SILENT), snmp_answer("1")], Word.FAIL, None, id="v1 answers, v3 does not"),
        pytest.param(
            [engine(State.ACCEPTING, engine_id="8000"), snmp_answer()],
            Word.PASS,
            None,
            id="an engine answers",
        ),
        pytest.param([engine(State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="silent"),
        pytest.param(
            [engine(State.ACCEPTING, fault="no BER"), snmp_answer()],
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            id="unreadable report",
        ),
        pytest.param(
            [engine(State.ACCEPTING, engine_id=""), snmp_answer()],
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            id="a report without an engine",
        ),
        pytest.param([engine(State.REFUSING)], Word.NOTAPPLICABLE, None, id="service absent"),
        pytest.param([snmp_answer()], Word.UNKNOWN, Reason.INCONCLUSIVE, id="version 3 was not asked"),
        pytest.param([], Word.UNKNOWN, Reason.INCONCLUSIVE, id="nothing was asked"),
    ],
)
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


def test_an_answer_at_one_address_says_nothing_of_another() -> None:
    seen = seen_device(
        engine(State.ACCEPTING, engine_id="8000"), snmp_answer(), engine(State.SILENT, address="::1")
    )
    assert [o.word for o in CHECK.judge(seen, NoSettings())] == [Word.PASS, Word.UNKNOWN]
