"""snmp-default-community-read: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.snmp_default_community_read import CHECK
from hardenprobe.facts import SnmpEngine
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, snmp_answer

SILENT = snmp_answer("2c", state=State.SILENT)
CONTROL = snmp_answer("2c", origin="control", community="a random community")
ELSEWHERE = (snmp_answer("2c", vantage="guest"),)


@pytest.mark.parametrize(
    ("observations", "elsewhere", "word", "reason", "subject"),
    [
        pytest.param([snmp_answer()], (), Word.FAIL, None, 'community "public"', id="a default is answered"),
        pytest.param(
            [snmp_answer(values={})], (), Word.FAIL, None, 'community "public"', id="the view may be narrow"
        ),
        pytest.param(
            [snmp_answer("1", error_status=2)],
            (),
            Word.FAIL,
            None,
            'community "public"',
            id="any matching response counts",
        ),
        pytest.param(
            [snmp_answer(), CONTROL], (), Word.FAIL, None, "answers any community", id="answers any community"
        ),
        pytest.param(
            [SILENT, snmp_answer("2c", state=State.SILENT, origin="control")],
            (),
            Word.UNKNOWN,
            Reason.SILENT,
            None,
            id="silent",
        ),
        pytest.param(
            [SILENT, snmp_answer(origin="supplied", community="fleet")],
            (),
            Word.PASS,
            None,
            None,
            id="a supplied community is answered, so silence to the default is rejection",
        ),
        pytest.param(
            [SILENT, snmp_answer("1", origin="supplied", community="fleet")],
            (),
            Word.PASS,
            None,
            None,
            id="an answer of version 1 proves that the agent hears us",
        ),
        pytest.param(
            [
                SILENT,
                snmp_answer("2c", state=State.SILENT, address="127.0.9.11"),
                snmp_answer(origin="supplied", community="fleet"),
            ],
            (),
            Word.UNKNOWN,
            Reason.SILENT,
            None,
            id="an answer of one address does not prove that another rejects",
        ),
        pytest.param(
            [SILENT], ELSEWHERE, Word.PASS, Reason.DROPPED, None, id="answers another vantage point"
        ),
        pytest.param([snmp_answer(state=State.REFUSING)], (), Word.PASS, None, None, id="port unreachable"),
        pytest.param(
            [at(161, SnmpEngine(state=State.REFUSING), transport="udp", protocol="snmp")],
            (),
            Word.PASS,
            None,
            None,
            id="port unreachable to the discovery",
        ),
        pytest.param(
            [at(161, SnmpEngine(state=State.ACCEPTING, engine_id="80"), transport="udp")],
            (),
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            None,
            id="only version 3 was asked",
        ),
        pytest.param(
            [snmp_answer(fault="SNMP reply that cannot be read")],
            ELSEWHERE,
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            None,
            id="unreadable reply",
        ),
    ],
)
def test_branch(
    observations: list[Observation[Any]],
    elsewhere: tuple[Observation[Any], ...],
    word: Word,
    reason: Reason | None,
    subject: str | None,
) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations, elsewhere=elsewhere), NoSettings())
    assert (outcome.word, outcome.reason, outcome.subject) == (word, reason, subject)


def test_each_default_that_is_answered_is_a_finding_of_its_first_answer() -> None:
    first, again = snmp_answer("1"), snmp_answer("2c")
    other = snmp_answer("2c", community="private")
    outcomes = list(CHECK.judge(seen_device(first, again, other), NoSettings()))
    assert {(o.subject, o.proof) for o in outcomes} == {
        ('community "public"', (first.id,)),
        ('community "private"', (other.id,)),
    }


def test_a_supplied_community_that_drew_no_answer_proves_no_rejection() -> None:
    """Nor does an answer to another question than ours: who was not heard by the agent cannot be refused by it."""
    mute = snmp_answer("2c", state=State.SILENT, origin="supplied", community="fleet")
    for other in (mute, snmp_answer("2c", state=State.SILENT, origin="default", community="private")):
        (outcome,) = CHECK.judge(seen_device(SILENT, other), NoSettings())
        assert outcome.word is Word.UNKNOWN
