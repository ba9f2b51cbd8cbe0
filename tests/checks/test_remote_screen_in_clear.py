"""remote-screen-in-clear: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest
from support.discovery import screen

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.remote_screen_in_clear import CHECK
from hardenprobe.model import Observation, State, Word
from hardenprobe.testing import seen_device, tcp_port

GREETS = tcp_port(5900, greeting="RFB 003.008\n", speaks="rfb")


@pytest.mark.parametrize(
    ("observations", "word", "says"),
    [
        # RFC 6143 section 7.1.2: None(1), VNC Authentication(2); section 8.2 has the others, TLS(18) among them.
        pytest.param([GREETS, screen(2)], Word.FAIL, "encrypts nothing", id="a password"),
        pytest.param([GREETS, screen(18, 2)], Word.FAIL, "encrypts nothing", id="a password beside TLS"),
        pytest.param([GREETS, screen(2, 1)], Word.FAIL, "encrypts nothing", id="a password beside None"),
        pytest.param(
            [GREETS, screen(1)], Word.INFORMATIONAL, "counted by", id="None, which has its own check"
        ),
        pytest.param([GREETS, screen(18)], Word.PASS, "TLS alone", id="TLS"),
        pytest.param([GREETS, screen(18, 19)], Word.UNKNOWN, "do not show", id="a type that says it later"),
        pytest.param(
            [GREETS, screen(12, 21)], Word.UNKNOWN, "do not show", id="numbers that hold a 1 or a 2"
        ),
        pytest.param([GREETS, screen(reason="busy")], Word.UNKNOWN, "'busy'", id="turned away"),
        pytest.param([GREETS, screen(fault="says nothing")], Word.UNKNOWN, "says nothing", id="no list"),
        pytest.param([tcp_port(2501, speaks="rfb")], Word.UNKNOWN, "not be tested", id="another port"),
        pytest.param([tcp_port(5900, State.REFUSING)], Word.PASS, "off on", id="refuses"),
        pytest.param([tcp_port(5900)], Word.UNKNOWN, "not recognised", id="accepts, says nothing"),
        pytest.param([], Word.UNKNOWN, "no port", id="not looked at"),
    ],
)
def test_branch(observations: list[Observation[Any]], word: Word, says: str) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert outcome.word == word
    assert says in outcome.observed.text
