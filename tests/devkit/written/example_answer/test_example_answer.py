"""example-answer: its contract, each branch of its judge, and its probe against a script."""

from pathlib import Path
from typing import Any

import pytest
from hardenprobe import State, Word, testing

MODULE = testing.load(Path(__file__).with_name("example_answer.py"))
REPLY = b"1, 1 : ERROR : NO-USER\r\n"  # RFC 1413 section 4, its example of an error
CASES = [
    (testing.at(113, MODULE.read(REPLY)), Word.FAIL),
    (testing.at(113, MODULE.read(b"what?")), Word.UNKNOWN),
    (testing.tcp_port(113, State.REFUSING), Word.PASS),
    (testing.tcp_port(113, State.SILENT), Word.UNKNOWN),
]


def test_the_contract() -> None:
    assert testing.complaints(MODULE.CHECK) == []


@pytest.mark.parametrize(("seen", "word"), CASES)
def test_branch(seen: Any, word: Word) -> None:
    (outcome,) = MODULE.judge(testing.seen_device(seen), MODULE.Settings())
    assert outcome.word is word


def test_one_question_is_asked() -> None:
    script: Any = [("sent", MODULE.QUESTION), ("received", REPLY)]
    line = testing.Replay({113: script}, speaks={113: "example-answer"})
    assert testing.answers(MODULE.PROBE, line)[-1].facts == MODULE.read(REPLY)
