"""allow-list-ipv6-bypass: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.allow_list_ipv6_bypass import CHECK
from hardenprobe.facts import HttpAnswer
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import at, seen_device, tcp_port

SIX = "fd00::10"


def page(status: int, **more: Any) -> Observation[Any]:
    return at(443, HttpAnswer(tls=True, path="/", status=status), **more)


OPEN6, OFF6 = tcp_port(443, address=SIX), tcp_port(443, State.REFUSING, address=SIX)


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param(
            [tcp_port(443, closed=True), OPEN6, page(200, address=SIX)], Word.FAIL, None, id="closes"
        ),
        pytest.param([tcp_port(443), page(403), OPEN6, page(401, address=SIX)], Word.FAIL, None, id="403"),
        pytest.param(
            [tcp_port(443, State.REFUSING), OPEN6, page(200, address=SIX)], Word.FAIL, None, id="refuses"
        ),
        pytest.param(
            [tcp_port(443, State.SILENT), OPEN6, page(200, address=SIX)], Word.FAIL, None, id="silent"
        ),
        pytest.param([tcp_port(23, closed=True), tcp_port(23, address=SIX)], Word.FAIL, None, id="telnet"),
        pytest.param([tcp_port(443, closed=True), OFF6], Word.PASS, None, id="off over IPv6"),
        pytest.param(
            [tcp_port(443, closed=True), tcp_port(443, closed=True, address=SIX)],
            Word.PASS,
            None,
            id="closes on both",
        ),
        pytest.param(
            [tcp_port(443), page(403), OPEN6, page(403, address=SIX)], Word.PASS, None, id="403 on both"
        ),
        pytest.param(
            [tcp_port(443, closed=True), tcp_port(443, State.SILENT, address=SIX)],
            Word.PASS,
            Reason.DROPPED,
            id="silent over IPv6",
        ),
        pytest.param(
            [tcp_port(443, closed=True), OPEN6], Word.UNKNOWN, Reason.INCONCLUSIVE, id="a bare handshake"
        ),
        pytest.param(
            [tcp_port(23, closed=True), tcp_port(23, address=SIX), tcp_port(50001, control=True)],
            Word.UNKNOWN,
            Reason.AMBIGUOUS,
            id="everything accepts",
        ),
        pytest.param(
            [tcp_port(443), page(200), OPEN6, page(200, address=SIX)],
            Word.NOTAPPLICABLE,
            None,
            id="serves both",
        ),
        pytest.param([tcp_port(443, closed=True)], Word.NOTAPPLICABLE, None, id="IPv4 only"),
        pytest.param([], Word.NOTAPPLICABLE, None, id="nothing was looked at"),
    ],
)
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)
