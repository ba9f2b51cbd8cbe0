"""snmp-default-community-write: each branch of its judge."""

from __future__ import annotations

from support.branches import Branch, each
from support.snmp_writes import attempt, branches

from hardenprobe.checks.snmp_default_community_write import CHECK
from hardenprobe.model import Reach, Reason, State, Word
from hardenprobe.testing import snmp_answer

SUPPLIED = attempt(origin="supplied")
SILENT, REFUSING = snmp_answer(state=State.SILENT), snmp_answer(state=State.REFUSING)
BRANCHES = branches("default") | {
    "nothing was asked": Branch(observations=(), word=Word.UNKNOWN, reason=Reason.INCONCLUSIVE),
    "a community of the fleet is not judged here": Branch(
        observations=(SUPPLIED,), word=Word.UNKNOWN, reason=Reason.INCONCLUSIVE
    ),
    "silent": Branch(observations=(SILENT,), word=Word.UNKNOWN, reason=Reason.SILENT),
    "port unreachable": Branch(observations=(REFUSING,), word=Word.NOTAPPLICABLE),
}


@each(BRANCHES)
def test_branch(branch: Branch) -> None:
    branch.hold(CHECK)


def test_it_runs_only_where_alter_is_granted() -> None:
    assert CHECK.reach is Reach.ALTER
