"""web-services-in-clear: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.web_services_in_clear import CHECK
from hardenprobe.facts import WebServices
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, tcp_port


def answer(status: int | None, fault: str | None = None) -> Observation[Any]:
    return at(5357, WebServices(status=status, fault=fault), protocol="http")


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([tcp_port(5357), answer(200)], Word.FAIL, None, id="a page"),
        pytest.param([tcp_port(5357), answer(404)], Word.FAIL, None, id="404 is HTTP all the same"),
        pytest.param(
            [tcp_port(5357), answer(None, "silent")], Word.UNKNOWN, Reason.SILENT, id="silent to it"
        ),
        pytest.param(
            [tcp_port(5357), answer(None, "not HTTP: x")], Word.UNKNOWN, Reason.INCONCLUSIVE, id="not HTTP"
        ),
        pytest.param([tcp_port(5357, State.REFUSING)], Word.PASS, None, id="refuses"),
        pytest.param([tcp_port(5357, speaks="ftp")], Word.PASS, None, id="greets in another protocol"),
        pytest.param([tcp_port(5357)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="was not asked"),
        pytest.param([tcp_port(5357, State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="silent"),
        pytest.param([tcp_port(80)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="not looked at"),
    ],
)
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)
