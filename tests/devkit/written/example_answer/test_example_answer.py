"""example-answer: its contract, each branch of its judge, and its probe against a script."""

from pathlib import Path
from typing import Any

import pytest
from hardenprobe import State, Word
from hardenprobe.testing import (
    Replay,
    answers,
    at,
    complaints,
    load,
    seen_device,
    tcp_port,
)

MODULE = load(Path(__file__).with_name("example_answer.py"))
SPOKEN = MODULE.Answer(reply="1, 1 : ERROR : NO-USER")


def test_the_contract() -> None:
    assert complaints(MODULE.CHECK) == []


@pytest.mark.parametrize(
    ("seen", "word"),
    [
        (at(113, SPOKEN), Word.FAIL),
        (at(113, MODULE.Answer(reply="what?")), Word.UNKNOWN),
        (tcp_port(113, State.REFUSING), Word.PASS),
        (tcp_port(113, State.SILENT), Word.UNKNOWN),
    ],
)
def test_branch(seen: Any, word: Word) -> None:
    (outcome,) = MODULE.judge(seen_device(seen), MODULE.Settings())
    assert outcome.word is word


def test_one_question_is_asked() -> None:
    # RFC 1413 section 4, its example of an error
    reply = b"1, 1 : ERROR : NO-USER\r\n"
    line = Replay(
        {113: [("sent", MODULE.QUESTION), ("received", reply)]},
        speaks={113: "example-answer"},
    )
    assert answers(MODULE.PROBE, line)[-1].facts == SPOKEN
