"""ntp-control-reply: each branch of its judge."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from support.discovery import question

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.ntp_control_reply import CHECK
from hardenprobe.facts import NtpControlAnswer
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.standards.ccss import score
from hardenprobe.testing import seen_device


def asked(state: State = State.ACCEPTING, says: str | None = None, **more: Any) -> Observation[Any]:
    return question(NtpControlAnswer, 123, state, says=says, mode=6, **more)


ANSWERED = asked(says="stratum=2")
SILENT = asked(State.SILENT)
REFUSED = asked(State.REFUSING)
ELSEWHERE = (asked(says="stratum=2", vantage="guest"),)


@pytest.mark.parametrize(
    ("observations", "elsewhere", "word", "reason"),
    [
        pytest.param([ANSWERED], (), Word.FAIL, None, id="answered"),
        pytest.param([SILENT, ANSWERED], (), Word.FAIL, None, id="answered at the second question"),
        pytest.param([asked(says="")], (), Word.FAIL, None, id="an answer that says nothing is an answer"),
        pytest.param([REFUSED], (), Word.PASS, None, id="port unreachable"),
        pytest.param(
            [SILENT], ELSEWHERE, Word.PASS, Reason.DROPPED, id="silent, answers another vantage point"
        ),
        pytest.param([SILENT], (), Word.UNKNOWN, Reason.SILENT, id="silent"),
        pytest.param([asked()], (), Word.UNKNOWN, Reason.INCONCLUSIVE, id="what came back is no answer"),
        pytest.param(
            [REFUSED, asked(State.SILENT, address="127.0.9.11")],
            (),
            Word.UNKNOWN,
            Reason.SILENT,
            id="one address unreachable, the other silent",
        ),
        pytest.param([], (), Word.UNKNOWN, Reason.INCONCLUSIVE, id="not asked"),
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
    assert set(outcome.proof) <= {o.id for o in observations}


def test_an_answer_is_a_finding_once_for_each_address_with_its_bytes() -> None:
    other = asked(says="stratum=2", address="127.0.9.11")
    outcomes = list(CHECK.judge(seen_device(ANSWERED, ANSWERED, other), NoSettings()))
    assert [(o.word, o.endpoint) for o in outcomes] == [
        (Word.FAIL, ANSWERED.endpoint),
        (Word.FAIL, other.endpoint),
    ]
    assert outcomes[0].observed.value == {"amplification": 2.5, "sent": 20, "received": 50}


@pytest.mark.parametrize(
    ("sent", "received", "vector"),
    [(12, 100, "amplified"), (12, 12, ""), (8, 8, ""), (12, 13, "amplified")],
)
def test_the_vector_follows_the_amplification_seen(sent: int, received: int, vector: str) -> None:
    one = asked(says="stratum=2")
    seen = replace(one, facts=replace(one.facts, sent=sent, received=received))
    (outcome,) = CHECK.judge(seen_device(seen), NoSettings())
    assert (outcome.word, outcome.vector or "") == (Word.FAIL, vector)
    assert score(CHECK.vectors[""]).base < score(CHECK.vectors["amplified"]).base


def test_silence_from_another_link_is_silence() -> None:
    seen = seen_device(SILENT)
    seen.vantage = replace(seen.vantage, on_link=False)
    (outcome,) = CHECK.judge(seen, NoSettings())
    assert (outcome.word, outcome.reason) == (Word.UNKNOWN, Reason.SILENT)
