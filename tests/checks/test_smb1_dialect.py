"""smb1-dialect: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest
from support.discovery import smb

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.smb1_dialect import CHECK
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import seen_device, tcp_port

NEWER = smb("2", "SMB 3.0.2", True)


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([NEWER, smb("1", "NT LM 0.12", True)], Word.FAIL, None, id="agreed to, signing or not"),
        pytest.param([NEWER, smb("1")], Word.PASS, None, id="answered, and no dialect taken"),
        pytest.param([NEWER, smb("1", fault="closed")], Word.PASS, None, id="closed, and version 2 answered"),
        pytest.param(
            [smb("2", fault="closed"), smb("1", fault="closed")],
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            id="closed at both",
        ),
        pytest.param(
            [NEWER, smb("1", fault="silent")], Word.UNKNOWN, Reason.SILENT, id="silent at version 1"
        ),
        pytest.param(
            [NEWER, smb("1", fault="no answer to an SMB 1 negotiation")],
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            id="something else came",
        ),
        pytest.param(
            [tcp_port(139, State.REFUSING), tcp_port(445, State.REFUSING)],
            Word.PASS,
            None,
            id="both ports refuse",
        ),
        pytest.param(
            [tcp_port(139), tcp_port(445, State.REFUSING)],
            Word.UNKNOWN,
            Reason.INCONCLUSIVE,
            id="only the session service accepts",
        ),
        pytest.param([tcp_port(445, closed=True)], Word.UNKNOWN, Reason.DROPPED, id="accepts and closes"),
        pytest.param([tcp_port(445, State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="silent"),
        pytest.param([], Word.UNKNOWN, Reason.INCONCLUSIVE, id="not looked at"),
    ],
)
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)
