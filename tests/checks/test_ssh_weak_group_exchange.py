"""ssh-weak-group-exchange: each branch of its judge."""

from __future__ import annotations

from typing import Any

import pytest
from support.ssh import ssh_offer

from hardenprobe.checks.ssh_weak_group_exchange import CHECK
from hardenprobe.facts import SshGroup
from hardenprobe.model import State
from hardenprobe.testing import at, seen_device, tcp_port

METHOD = "diffie-hellman-group-exchange-sha256"
OFFER = ssh_offer(key_exchanges=("curve25519-sha256", METHOD))


def group(bits: int | None, fault: str | None = None) -> Any:
    return at(22, SshGroup(method=METHOD, asked=1024, bits=bits, fault=fault), protocol="ssh")


@pytest.mark.parametrize(
    ("observations", "word", "reason"),
    [
        pytest.param([OFFER, group(1024)], "fail", None, id="1024 bits"),
        pytest.param([OFFER, group(2047)], "fail", None, id="one bit short"),
        pytest.param([OFFER, group(2048)], "pass", None, id="2048 bits (RFC 8270)"),
        pytest.param([OFFER, group(None, "closed")], "unknown", "dropped", id="closed"),
        pytest.param(
            [OFFER, group(None, "SSH message 3 in place of a group")],
            "unknown",
            "inconclusive",
            id="no group",
        ),
        pytest.param([OFFER], "unknown", "ceiling", id="not asked"),
        pytest.param([ssh_offer()], "pass", None, id="no group exchange"),
        pytest.param([tcp_port(22, State.REFUSING)], "notapplicable", None, id="no SSH"),
    ],
)
def test_branch(observations: list[Any], word: str, reason: str | None) -> None:
    (outcome,) = CHECK.judge(seen_device(*observations), CHECK.settings())
    assert (outcome.word, outcome.reason) == (word, reason)
