"""cleartext-print-lpd: each branch of its judge."""

from __future__ import annotations

from support.branches import Branch, each
from support.cleartext import branches, each_port_is_named_for_its_service

from hardenprobe.checks.cleartext_print_lpd import CHECK, PORTS
from hardenprobe.model import Reason, Word
from hardenprobe.testing import tcp_port

BRANCHES = branches(515) | {
    # No line printer daemon says anything unasked.
    "greets with nothing that is known": Branch(
        observations=(tcp_port(515, greeting="hello"),), word=Word.UNKNOWN, reason=Reason.INCONCLUSIVE
    ),
}


@each(BRANCHES)
def test_branch(branch: Branch) -> None:
    branch.hold(CHECK)


def test_each_port_is_named_for_what_it_is_assigned_to() -> None:
    each_port_is_named_for_its_service(CHECK, PORTS)
