"""Which addresses are ours to ask from."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from hardenprobe import plan, scope, vantage
from hardenprobe.errors import UsageError

OURS = ["127.0.0.1", "127.77.3.4"]
# The first is nobody's (RFC 5737). The others can be bound, and the system would then send from another address.
NOT_OURS = ["192.0.2.1", "0.0.0.0", "::", "127.255.255.255", "224.0.0.1", "255.255.255.255"]


def test_ours_is_what_something_can_be_sent_from() -> None:
    """In a process of its own: the guard of these tests would refuse what the system admits."""
    code = "import json, sys; from hardenprobe.vantage import is_ours; print(json.dumps([*map(is_ours, sys.argv[1:])]))"
    done = subprocess.run([sys.executable, "-c", code, *OURS, *NOT_OURS], capture_output=True, check=True)
    assert json.loads(done.stdout) == [True] * len(OURS) + [False] * len(NOT_OURS)


@pytest.mark.parametrize("source", ["127.255.255.255", "192.0.2.1"])
def test_a_source_that_is_not_ours_is_refused(source: str) -> None:
    with pytest.raises(UsageError, match=f"--source {source} is no address of this machine: .+"):
        vantage.points([source], (), plan.targets(["127.0.0.1"]), scope.Scope.loopback())
