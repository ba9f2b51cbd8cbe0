"""unexpected-service: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checks.unexpected_service import CHECK, Settings
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import seen_device, tcp_port

EXPECT = Settings(allowed_tcp=(443, 631))
OPEN_CONTROL = tcp_port(50000, control=True)


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([tcp_port(79), tcp_port(443)], Word.FAIL, None, id="a port that is not listed accepts"),
        pytest.param([tcp_port(443), tcp_port(79, State.REFUSING)], Word.PASS, None, id="listed ports only"),
        pytest.param(
            [tcp_port(443), tcp_port(79, State.SILENT)], Word.PASS, Reason.DROPPED, id="the rest silent"
        ),
        pytest.param([tcp_port(79, State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="not proven alive"),
        pytest.param([tcp_port(79), OPEN_CONTROL], Word.UNKNOWN, Reason.AMBIGUOUS, id="tarpit"),
        pytest.param([], Word.UNKNOWN, Reason.INCONCLUSIVE, id="no port looked at"),
    ],
)
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), EXPECT)
    assert (outcome.word, outcome.reason) == (word, reason)


def test_the_result_names_what_speaks_and_the_ports_that_may_accept() -> None:
    seen = seen_device(tcp_port(22, speaks="ssh"), tcp_port(79))
    first, second = CHECK.judge(seen, EXPECT)
    assert "speaks ssh" in first.observed.text
    assert "does not speak first" in second.observed.text
    assert first.expected.text == "only these TCP ports are open: 443, 631"
    assert first.expected.value == [443, 631]


def test_a_baseline_that_allows_nothing_says_so() -> None:
    (outcome,) = CHECK.judge(seen_device(tcp_port(443)), Settings(allowed_tcp=()))
    assert (outcome.word, outcome.expected.text) == (Word.FAIL, "only these TCP ports are open: none")
