"""cleartext-print-raw: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.cleartext_print_raw import CHECK
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import seen_device, tcp_port

OPEN_CONTROL = tcp_port(50000, control=True)


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([tcp_port(9100)], Word.FAIL, None, id="9100 accepts"),
        pytest.param([tcp_port(9107)], Word.FAIL, None, id="9107 accepts"),
        pytest.param([tcp_port(9100, closed=True)], Word.UNKNOWN, Reason.DROPPED, id="accepts and closes"),
        pytest.param([tcp_port(9100, State.REFUSING)], Word.PASS, None, id="reset"),
        pytest.param([tcp_port(80)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="no raw port looked at (fragile)"),
        pytest.param(
            [tcp_port(9100, State.SILENT), tcp_port(80)],
            Word.PASS,
            Reason.DROPPED,
            id="silent while another port answers",
        ),
        pytest.param([tcp_port(9100, State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="not proven alive"),
        pytest.param([tcp_port(9100), OPEN_CONTROL], Word.UNKNOWN, Reason.AMBIGUOUS, id="tarpit"),
        pytest.param(
            [tcp_port(9100, State.REFUSING), tcp_port(50000, State.REFUSING, control=True)],
            Word.PASS,
            None,
            id="control port refuses",
        ),
    ],
)
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


def test_a_finding_says_that_the_protocol_was_not_identified() -> None:
    (outcome,) = CHECK.judge(seen_device(tcp_port(9100)), NoSettings())
    assert "not identified" in outcome.observed.text


def test_each_port_is_a_finding() -> None:
    outcomes = CHECK.judge(seen_device(*(tcp_port(p) for p in (9100, 9101, 9108))), NoSettings())
    assert [o.endpoint.port for o in outcomes if o.endpoint] == [9100, 9101]
