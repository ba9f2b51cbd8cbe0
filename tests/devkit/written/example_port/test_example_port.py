"""example-port: its contract, and each branch of its judge."""

from pathlib import Path

import pytest
from hardenprobe import State, Word
from hardenprobe.testing import complaints, load, seen_device, tcp_port

MODULE = load(Path(__file__).with_name("example_port.py"))


def test_the_contract() -> None:
    assert complaints(MODULE.CHECK) == []


@pytest.mark.parametrize(
    ("state", "word"),
    [
        (State.ACCEPTING, Word.FAIL),
        (State.REFUSING, Word.PASS),
        (State.SILENT, Word.UNKNOWN),
    ],
)
def test_branch(state: State, word: Word) -> None:
    (outcome,) = MODULE.judge(seen_device(tcp_port(79, state)), MODULE.Settings())
    assert outcome.word is word
