"""cleartext-remote-shell: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.cleartext_remote_shell import CHECK, PORTS
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import seen_device, tcp_port

PORT = 514


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([tcp_port(PORT)], Word.FAIL, None, id="accepts"),
        pytest.param(
            [tcp_port(PORT, greeting="hello")], Word.FAIL, None, id="greets with nothing that is known"
        ),
        pytest.param(
            [tcp_port(PORT, greeting="SSH-2.0-x", speaks="ssh")],
            Word.PASS,
            None,
            id="greets in another protocol",
        ),
        pytest.param([tcp_port(PORT, State.REFUSING)], Word.PASS, None, id="refuses"),
        pytest.param(
            [tcp_port(PORT, closed=True)], Word.FAIL, None, id="closes on a port that is not below 1024"
        ),
        pytest.param(
            [tcp_port(PORT, closed=True, reserved=True)],
            Word.UNKNOWN,
            Reason.DROPPED,
            id="closes on a port below 1024 as well",
        ),
        pytest.param(
            [tcp_port(512, closed=True)], Word.UNKNOWN, Reason.DROPPED, id="trap: exec takes any port"
        ),
        pytest.param(
            [tcp_port(PORT), tcp_port(50000, control=True)],
            Word.UNKNOWN,
            Reason.AMBIGUOUS,
            id="anything accepts",
        ),
        pytest.param(
            [tcp_port(PORT, State.SILENT), tcp_port(80)],
            Word.PASS,
            Reason.DROPPED,
            id="silent beside an answer",
        ),
        pytest.param([tcp_port(PORT, State.SILENT)], Word.UNKNOWN, Reason.SILENT, id="silent"),
        pytest.param([tcp_port(80)], Word.UNKNOWN, Reason.INCONCLUSIVE, id="not looked at"),
    ],
)
def test_branch(observations: list[Observation[Any]], word: Word, reason: Reason | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), NoSettings())
    assert (outcome.word, outcome.reason) == (word, reason)


def test_each_port_is_named_for_what_it_is_assigned_to() -> None:
    ports = [tcp_port(port) for port in PORTS]
    outcomes = list(CHECK.judge(seen_device(*ports, tcp_port(80)), NoSettings()))
    assert [o.proof for o in outcomes] == [(port.id,) for port in ports]
    for outcome, service in zip(outcomes, PORTS.values(), strict=True):
        assert outcome.word is Word.FAIL
        assert f"assigned to {service}" in outcome.observed.text
