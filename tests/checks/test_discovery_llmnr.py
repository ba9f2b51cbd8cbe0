"""discovery-llmnr: each branch of its judge."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from support.discovery import Branch, branches, one_finding_for_each_address, question

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.discovery_llmnr import CHECK
from hardenprobe.facts import LlmnrAnswer
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import seen_device


def asked(state: State = State.ACCEPTING, says: str | None = None, **more: Any) -> Observation[Any]:
    return question(LlmnrAnswer, 5355, state, says=says, **more)


SAYS = "device01"
BRANCHES = branches(asked, SAYS, group=True)
SILENT, REFUSED = asked(State.SILENT), asked(State.REFUSING)


@pytest.mark.parametrize("branch", BRANCHES.values(), ids=BRANCHES.keys())
def test_branch(branch: Branch) -> None:
    branch.hold(CHECK)


def test_an_answer_is_a_finding_once_for_each_address_with_its_bytes() -> None:
    one_finding_for_each_address(CHECK, asked, SAYS)


def test_silence_from_another_link_says_that_it_is_another() -> None:
    seen = seen_device(SILENT)
    seen.vantage = replace(seen.vantage, on_link=False)
    (outcome,) = CHECK.judge(seen, NoSettings())
    assert (outcome.word, outcome.reason) == (Word.UNKNOWN, Reason.OFF_LINK)


def test_the_answer_over_tcp_is_a_finding_of_its_own() -> None:
    tcp = asked(says="device01", transport="tcp")
    outcomes = list(CHECK.judge(seen_device(SILENT, tcp), NoSettings()))
    assert [(o.word, o.endpoint) for o in outcomes] == [(Word.FAIL, tcp.endpoint)]


def test_a_tcp_port_that_accepts_and_does_not_answer_keeps_a_refusing_datagram_port_from_a_pass() -> None:
    tcp = asked(State.SILENT, transport="tcp")
    (outcome,) = CHECK.judge(seen_device(REFUSED, tcp), NoSettings())
    assert outcome.word is Word.UNKNOWN
