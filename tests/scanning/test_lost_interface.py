"""Our own interface goes down in mid-scan: no device is taken for absent, and the scan can go on."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

NETWORK = "198.18.4.0/28"  # RFC 2544: for tests
LIVE = [f"198.18.4.{n}" for n in range(1, 6)]


def test_what_an_interface_swallowed_is_unfinished_and_found_by_going_on(tmp_path: Path) -> None:
    alone = shutil.which("unshare")
    if alone is None or os.getuid() or subprocess.run((alone, "--net", "true"), check=False).returncode:
        pytest.skip("needs the privilege to make network namespaces")
    tests = Path(__file__).parents[1]
    command = (
        alone,
        "--net",
        sys.executable,
        "-m",
        "support.lost_interface",
        NETWORK,
        tmp_path / "store.db",
        *LIVE,
    )
    ran = subprocess.run(command, capture_output=True, text=True, timeout=100, check=False, cwd=tests)
    assert ran.returncode == 0 and "Traceback" not in ran.stderr, ran.stderr
    lost, whole = json.loads(ran.stdout.splitlines()[-1])

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
