"""discovery-ws-discovery: each branch of its judge."""

from __future__ import annotations

from functools import partial

from support.branches import Branch, each
from support.discovery import branches, one_finding_for_each_address, question

from hardenprobe.checks.discovery_ws_discovery import CHECK
from hardenprobe.facts import WsDiscoveryAnswer

ask = partial(question, WsDiscoveryAnswer, 3702)
SAYS = "print:PrintDeviceType"


@each(branches(ask, SAYS, group=True))
def test_branch(branch: Branch) -> None:
    branch.hold(CHECK)


def test_an_answer_is_a_finding_once_for_each_address_with_its_bytes() -> None:
    one_finding_for_each_address(CHECK, ask, SAYS)
