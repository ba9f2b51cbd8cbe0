"""smb-signing-not-required: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest
from support.discovery import smb

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.smb_signing_not_required import CHECK
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import seen_device, tcp_port


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([smb("2", "SMB 3.1.1", False)], Word.FAIL, None, id="not required"),
        pytest.param(
            [smb("2", "SMB 3.1.1", True), smb("1")], Word.PASS, None, id="required; version 1 refused"
        ),
        pytest.param(
            [smb("2"), smb("1", fault="closed")], Word.UNKNOWN, Reason.INCONCLUSIVE, id="nothing agreed to"
        ),
        pytest.param(
            [smb("2", fault="silent")], Word.UNKNOWN, Reason.INCONCLUSIVE, id="silent after accepting"
        ),
        pytest.param([tcp_port(445, State.REFUSING)], Word.NOTAPPLICABLE, None, id="no SMB"),
        pytest.param([tcp_port(445, closed=True)], Word.UNKNOWN, Reason.DROPPED, id="accepts and closes"),
        pytest.param([tcp_port(445, State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="silent"),
    ],
)
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


def test_each_version_that_is_agreed_to_is_a_subject() -> None:
    both = seen_device(smb("2", "SMB 3.0", True), smb("1", "NT LM 0.12", False))
    outcomes = [(o.word, o.subject) for o in CHECK.judge(both, NoSettings())]
    assert outcomes == [(Word.PASS, "version 2 or 3"), (Word.FAIL, "version 1")]
