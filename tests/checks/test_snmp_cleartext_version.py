"""snmp-cleartext-version: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.snmp_cleartext_version import CHECK
from hardenprobe.facts import SnmpEngine
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, snmp_answer

SILENT = snmp_answer("2c", state=State.SILENT)
UNREACHABLE = at(161, SnmpEngine(state=State.REFUSING), transport="udp", protocol="snmp")
ELSEWHERE = (snmp_answer("2c", vantage="guest"),)
UNREADABLE = snmp_answer("2c", fault="SNMP reply that cannot be read")


@pytest.mark.parametrize(
    ("observations", "elsewhere", "word", "reason"),
    [
        pytest.param([snmp_answer("1")], (), Word.FAIL, None, id="v1 answers"),
        pytest.param([snmp_answer("2c")], (), Word.FAIL, None, id="v2c answers"),
        pytest.param(
            [snmp_answer("2c", origin="supplied", community="fleet")],
            (),
            Word.FAIL,
            None,
            id="supplied community",
        ),
        pytest.param(
            [snmp_answer("1", error_status=2)], (), Word.FAIL, None, id="noSuchName is an answer as well"
        ),
        pytest.param([UNREACHABLE], (), Word.PASS, None, id="port unreachable to the discovery"),
        pytest.param([snmp_answer("2c", state=State.REFUSING)], (), Word.PASS, None, id="port unreachable"),
        pytest.param(
            [SILENT], ELSEWHERE, Word.PASS, Reason.DROPPED, id="silent, answers another vantage point"
        ),
        pytest.param([SILENT], (), Word.UNKNOWN, Reason.SILENT, id="silent"),
        pytest.param([UNREADABLE], ELSEWHERE, Word.UNKNOWN, Reason.INCONCLUSIVE, id="unreadable reply"),
        pytest.param([], (), Word.UNKNOWN, Reason.INCONCLUSIVE, id="not asked"),
        pytest.param(
            [SILENT, snmp_answer("2c", origin="control", community="a random community")],
            (),
            Word.UNKNOWN,
            Reason.SILENT,
            id="the control question alone settles nothing here",
        ),
        pytest.param(
            [SILENT, snmp_answer("2c", state=State.REFUSING, address="::1")],
            (),
            Word.UNKNOWN,
            Reason.SILENT,
            id="one address unreachable, the other silent",
        ),
    ],
)
def test_branch(
    observations: list[Observation[Any]],
    elsewhere: tuple[Observation[Any], ...],
    word: Word,
    reason: Reason | None,
) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations, elsewhere=elsewhere), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


def test_each_version_is_a_subject() -> None:
    outcomes = CHECK.judge(seen_device(snmp_answer("2c"), snmp_answer("1")), NoSettings())
    assert [(o.word, o.subject) for o in outcomes] == [(Word.FAIL, "SNMPv1"), (Word.FAIL, "SNMPv2c")]
