"""ntp-control-reply: each branch of its judge."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import pytest
from support.branches import Branch, each
from support.discovery import branches, one_finding_for_each_address, question

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.ntp_control_reply import CHECK
from hardenprobe.facts import NtpControlAnswer
from hardenprobe.model import Word
from hardenprobe.standards.ccss import score
from hardenprobe.testing import seen_device

ask = partial(question, NtpControlAnswer, 123, mode=6)
SAYS = "stratum=2"


@each(branches(ask, SAYS))
def test_branch(branch: Branch) -> None:
    branch.hold(CHECK)


def test_an_answer_is_a_finding_once_for_each_address_with_its_bytes() -> None:
    one_finding_for_each_address(CHECK, ask, SAYS)


@pytest.mark.parametrize(
    ("sent", "received", "vector"),
    [(12, 100, "amplified"), (12, 12, ""), (8, 8, ""), (12, 13, "amplified")],
)
def test_the_vector_follows_the_amplification_seen(sent: int, received: int, vector: str) -> None:
    one = ask(says=SAYS)
    seen = replace(one, facts=replace(one.facts, sent=sent, received=received))
    (outcome,) = CHECK.judge(seen_device(seen), NoSettings())
    assert (outcome.word, outcome.vector or "") == (Word.FAIL, vector)
    assert score(CHECK.vectors[""]).base < score(CHECK.vectors["amplified"]).base
