"""cleartext-tftp: each branch of its judge."""

from __future__ import annotations

from functools import partial

from support.branches import Branch, each
from support.discovery import branches, one_finding_for_each_address, question

from hardenprobe.checks.cleartext_tftp import CHECK
from hardenprobe.facts import TftpAnswer

ask = partial(question, TftpAnswer, 69)
SAYS = "ERROR 1 File not found"


@each(branches(ask, SAYS))
def test_branch(branch: Branch) -> None:
    branch.hold(CHECK)


def test_an_answer_is_a_finding_once_for_each_address_with_its_bytes() -> None:
    one_finding_for_each_address(CHECK, ask, SAYS)
