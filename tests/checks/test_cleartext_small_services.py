"""cleartext-small-services: each branch of its judge."""

from __future__ import annotations

from support.branches import Branch, each
from support.cleartext import branches, each_port_is_named_for_its_service

from hardenprobe.checks.cleartext_small_services import CHECK, PORTS

BRANCHES = branches(79)


@each(BRANCHES)
def test_branch(branch: Branch) -> None:
    branch.hold(CHECK)


def test_each_port_is_named_for_what_it_is_assigned_to() -> None:
    each_port_is_named_for_its_service(CHECK, PORTS)
