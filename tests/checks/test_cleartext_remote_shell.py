"""cleartext-remote-shell: each branch of its judge."""

from __future__ import annotations

from support.branches import Branch, each
from support.cleartext import branches, each_port_is_named_for_its_service

from hardenprobe.checks.cleartext_remote_shell import CHECK, PORTS
from hardenprobe.model import Reason, Word
from hardenprobe.testing import tcp_port

BRANCHES = branches(514) | {
    # To whoever comes from a port that is not below 1024.
    "accepts and closes": Branch(observations=(tcp_port(514, closed=True),), word=Word.FAIL),
    "closes on a port below 1024 as well": Branch(
        observations=(tcp_port(514, closed=True, reserved=True),), word=Word.UNKNOWN, reason=Reason.DROPPED
    ),
    "trap: exec takes any port": Branch(
        observations=(tcp_port(512, closed=True),), word=Word.UNKNOWN, reason=Reason.DROPPED
    ),
}


@each(BRANCHES)
def test_branch(branch: Branch) -> None:
    branch.hold(CHECK)


def test_each_port_is_named_for_what_it_is_assigned_to() -> None:
    each_port_is_named_for_its_service(CHECK, PORTS)
