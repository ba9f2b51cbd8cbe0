"""remote-screen-open: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest
from support.discovery import screen

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.remote_screen_open import CHECK
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import seen_device, tcp_port

GREETS = tcp_port(5900, greeting="RFB 003.008\n", speaks="rfb")


@pytest.mark.parametrize(
    ("observations", "word", "reason", "says"),
    [
        pytest.param([GREETS, screen(1)], Word.FAIL, None, "None is offered", id="None"),
        pytest.param([GREETS, screen(2, 1)], Word.FAIL, None, "None is offered", id="None beside a password"),
        pytest.param([GREETS, screen(2)], Word.PASS, None, "[2]", id="a password"),
        pytest.param([GREETS, screen(11, 21)], Word.PASS, None, "[11, 21]", id="numbers that hold a 1"),
        pytest.param(
            [GREETS, screen(reason="busy")], Word.UNKNOWN, Reason.INCONCLUSIVE, "'busy'", id="turned away"
        ),
        pytest.param(
            [GREETS, screen(fault="says nothing")],
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            "says nothing",
            id="no list",
        ),
        pytest.param(
            [tcp_port(2501, speaks="rfb")],
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            "not be tested",
            id="another port",
        ),
        pytest.param([tcp_port(5900, State.REFUSING)], Word.PASS, None, "off on", id="refuses"),
        pytest.param(
            [tcp_port(5900)], Word.UNKNOWN, Reason.INCONCLUSIVE, "not recognised", id="accepts, says nothing"
        ),
        pytest.param([tcp_port(5900, State.SILENT)], Word.UNKNOWN, Reason.SILENT, "silent", id="silent"),
        pytest.param([], Word.UNKNOWN, Reason.INCONCLUSIVE, "no port", id="not looked at"),
    ],
)
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None, says: str) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)
    assert says in outcome.observed.text
