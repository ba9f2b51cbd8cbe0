"""udp-small-services: each branch of its judge."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from support.branches import Branch, each
from support.discovery import branches, one_finding_for_each_address, question

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.udp_small_services import CHECK
from hardenprobe.facts import SmallServiceAnswer
from hardenprobe.model import Word
from hardenprobe.standards.ccss import score
from hardenprobe.testing import seen_device

ask = partial(question, SmallServiceAnswer, 19, service="chargen")


@each(branches(ask, "74 bytes of text"))
def test_branch(branch: Branch) -> None:
    branch.hold(CHECK)


def test_an_answer_is_a_finding_once_for_each_address_with_its_bytes() -> None:
    one_finding_for_each_address(CHECK, ask, "74 bytes of text")


def test_an_answer_that_is_no_longer_than_the_request_scores_lower() -> None:
    echo = question(SmallServiceAnswer, 7, says="8 bytes, those that were sent", service="echo")
    echo = replace(echo, facts=replace(echo.facts, sent=8, received=8))
    outcomes = list(CHECK.judge(seen_device(echo, ask(says="74 bytes of text")), NoSettings()))

    assert [(o.word, o.vector) for o in outcomes] == [(Word.FAIL, None), (Word.FAIL, "amplified")]
    assert score(CHECK.vectors[""]).base < score(CHECK.vectors["amplified"]).base
