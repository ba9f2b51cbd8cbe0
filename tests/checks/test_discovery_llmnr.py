"""discovery-llmnr: each branch of its judge."""

from __future__ import annotations

from functools import partial

from support.branches import Branch, each
from support.discovery import branches, one_finding_for_each_address, question

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.discovery_llmnr import CHECK
from hardenprobe.facts import LlmnrAnswer
from hardenprobe.model import State, Word
from hardenprobe.testing import seen_device

ask = partial(question, LlmnrAnswer, 5355)
SAYS = "device01"


@each(branches(ask, SAYS, group=True))
def test_branch(branch: Branch) -> None:
    branch.hold(CHECK)


def test_an_answer_is_a_finding_once_for_each_address_with_its_bytes() -> None:
    one_finding_for_each_address(CHECK, ask, SAYS)


def test_the_answer_over_tcp_is_a_finding_of_its_own() -> None:
    tcp = ask(says="device01", transport="tcp")
    outcomes = list(CHECK.judge(seen_device(ask(State.SILENT), tcp), NoSettings()))
    assert [(o.word, o.endpoint) for o in outcomes] == [(Word.FAIL, tcp.endpoint)]


def test_a_tcp_port_that_accepts_and_does_not_answer_keeps_a_refusing_datagram_port_from_a_pass() -> None:
    tcp = ask(State.SILENT, transport="tcp")
    (outcome,) = CHECK.judge(seen_device(ask(State.REFUSING), tcp), NoSettings())
    assert outcome.word is Word.UNKNOWN
