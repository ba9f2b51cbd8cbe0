"""snmp-known-community-write: each branch of its judge."""

from __future__ import annotations

from support.branches import Branch, each
from support.snmp_writes import attempt, branches

from hardenprobe.checks.snmp_known_community_write import CHECK
from hardenprobe.model import Reach, Reason, Word

BRANCHES = branches("supplied") | {
    "no community was given": Branch(observations=(), word=Word.UNKNOWN, reason=Reason.NO_CREDENTIAL),
    "a default community is not judged here": Branch(
        observations=(attempt(origin="default"),), word=Word.UNKNOWN, reason=Reason.NO_CREDENTIAL
    ),
}


@each(BRANCHES)
def test_branch(branch: Branch) -> None:
    branch.hold(CHECK)


def test_it_runs_only_where_alter_is_granted() -> None:
    assert CHECK.reach is Reach.ALTER
