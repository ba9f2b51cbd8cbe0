"""discovery-ssdp: each branch of its judge."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from support.discovery import Branch, branches, one_finding_for_each_address, question

from hardenprobe.checking.check import NoSettings
from hardenprobe.checks.discovery_ssdp import CHECK
from hardenprobe.facts import SsdpAnswer
from hardenprobe.model import Observation, Reason, State, Word
from hardenprobe.testing import seen_device


def asked(state: State = State.ACCEPTING, says: str | None = None, **more: Any) -> Observation[Any]:
    return question(SsdpAnswer, 1900, state, says=says, **more)


SAYS = "st upnp:rootdevice"
BRANCHES = branches(asked, SAYS, group=True)
SILENT = asked(State.SILENT)


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
