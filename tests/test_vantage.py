"""Which addresses are ours to ask from."""

from __future__ import annotations

import pytest

from hardenprobe import plan, scope, vantage
from hardenprobe.errors import UsageError


@pytest.mark.parametrize(
    ("address", "ours"),
    [
        ("127.0.0.1", True),
        ("127.77.3.4", True),
        ("192.0.2.1", False),  # RFC 5737: nobody's
        # What follows can be bound, and the system would then send from another address.
        ("0.0.0.0", False),
        ("::", False),
        ("127.255.255.255", False),
        ("224.0.0.1", False),
        ("255.255.255.255", False),
    ],
)
def test_ours_is_what_something_can_be_sent_from(address: str, ours: bool) -> None:
    assert vantage.is_ours(address) is ours


@pytest.mark.parametrize("source", ["0.0.0.0", "127.255.255.255", "192.0.2.1"])
def test_a_source_that_is_not_ours_is_refused(source: str) -> None:
    with pytest.raises(UsageError, match=f"--source {source} is no address of this machine: .+"):
        vantage.points([source], (), plan.targets(["127.0.0.1"]), scope.Scope.loopback())
