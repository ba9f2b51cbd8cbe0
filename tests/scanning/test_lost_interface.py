"""Our own interface, address or buffers fail: no device is taken for absent, and the scan can go on.

`HARDENPROBE_FAULTS=1 python -m pytest tests/scanning/test_lost_interface.py` plays all of them, a minute long.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.slow

NETWORK = "198.18.4.0/28"  # RFC 2544: for tests
LIVE = [f"198.18.4.{n}" for n in range(1, 6)]
LONG = pytest.mark.skipif(
    "HARDENPROBE_FAULTS" not in os.environ, reason="a minute long: set HARDENPROBE_FAULTS"
)


def scanned(fault: str, folder: Path) -> list[dict[str, Any]]:
    """Status and review of a scan during a fault, and of what goes on with it."""
    alone = shutil.which("unshare")
    if alone is None or os.getuid() or subprocess.run((alone, "--net", "true"), check=False).returncode:
        pytest.skip("needs the privilege to make network namespaces")
    command = (
        alone, "--net", sys.executable, "-m", "support.lost_interface", fault, NETWORK, folder / "store.db", *LIVE,
    )  # fmt: skip
    tests = Path(__file__).parents[1]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=100, check=False, cwd=tests)
    assert ran.returncode == 0 and "Traceback" not in ran.stderr, ran.stderr
    found: list[dict[str, Any]] = json.loads(ran.stdout.splitlines()[-1])
    return found


@pytest.mark.parametrize(
    "fault",
    ["interface", *(pytest.param(f, marks=LONG) for f in ("address", "buffers", "before buffers"))],
)
def test_what_this_machine_swallowed_is_unfinished_and_found_by_going_on(fault: str, tmp_path: Path) -> None:
    lost, whole = scanned(fault, tmp_path)

    assert lost["status"] == 3 and lost["review"]["coverage"]["unfinished"]
    answered = lost["review"]["coverage"]["answered"]
    assert not [r for r in lost["review"]["results"] if r["result"] == "error"]
    assert lost["review"]["coverage"]["planned"] - len(lost["review"]["coverage"]["unfinished"]) >= answered
    failed = [
        r["device"]
        for r in whole["review"]["results"]
        if (r["check"], r["result"]) == ("cleartext-ftp", "fail")
    ]
    assert whole["status"] == 1 and not whole["review"]["coverage"]["unfinished"]
    assert whole["review"]["coverage"]["answered"] == len(failed) == len(LIVE)


def test_a_scan_that_begins_without_a_route_says_that_nothing_was_sent(tmp_path: Path) -> None:
    lost, _ = scanned("before interface", tmp_path)

    assert lost["status"] == 3 and not lost["review"]["results"]
    assert any("no route to 198.18.4." in one and "and 13 more" in one for one in lost["review"]["notices"])
