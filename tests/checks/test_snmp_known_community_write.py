"""snmp-known-community-write: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.snmp_known_community_write import CHECK
from hardenprobe.facts import SnmpWriteBack
from hardenprobe.model import Observation, Reach, Reason, State, Word
from hardenprobe.testing import at, seen_device


def attempt(status: int | None = 0, *, origin: str = "supplied", **more: Any) -> Observation[Any]:
    given = {
        "read": True,
        "written": True,
        "error_status": status,
        "same": True,
        "state": State.ACCEPTING,
        **more,
    }
    facts = SnmpWriteBack(version="2c", label="a label", origin=origin, **given)
    return at(161, facts, transport="udp", protocol="snmp")


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([attempt(0)], Word.FAIL, None, id="noError"),
        pytest.param([attempt(0, same=None)], Word.FAIL, None, id="noError, not read again"),
        pytest.param([attempt(16)], Word.PASS, None, id="authorizationError"),
        pytest.param([attempt(6)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="noAccess is about this object"),
        pytest.param([attempt(17)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="notWritable"),
        pytest.param([attempt(4)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="readOnly"),
        pytest.param([attempt(5)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="genErr"),
        pytest.param([attempt(2)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="noSuchName"),
        pytest.param([attempt(None, state=State.SILENT)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="no answer"),
        pytest.param(
            [attempt(None, read=False, written=False)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="not readable"
        ),
        pytest.param([], Word.UNKNOWN, Reason.NO_CREDENTIAL, id="no community was given"),
    ],
)
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


def test_a_value_that_reads_differently_is_shouted() -> None:
    (outcome,) = CHECK.judge(seen_device(attempt(0, same=False)), NoSettings())
    assert outcome.word is Word.FAIL
    assert "DIFFERENTLY" in outcome.observed.text


def test_the_other_kind_of_community_is_not_judged_here() -> None:
    (outcome,) = CHECK.judge(seen_device(attempt(0, origin="default")), NoSettings())
    assert outcome.word is Word.UNKNOWN


def test_it_runs_only_where_alter_is_granted() -> None:
    assert CHECK.reach is Reach.ALTER
