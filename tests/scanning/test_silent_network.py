"""Silence for real: a network in which thirty devices live and everything else swallows what is sent to it."""

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

NETWORK = "198.18.4.0/22"  # RFC 2544: for tests
LIVE = [f"198.18.{4 + n % 4}.{8 * n + 1}" for n in range(1, 31)]
ASKED = (1 << 10) - 2


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    alone = shutil.which("unshare")
    if alone is None or os.getuid() or subprocess.run((alone, "--net", "true"), check=False).returncode:
        pytest.skip("needs the privilege to make network namespaces")
    script = Path(__file__).parents[1] / "support" / "silent_network.py"
    store = tmp_path_factory.mktemp("silent") / "store.db"
    command = (alone, "--net", sys.executable, script, NETWORK, store, *LIVE)
    ran = subprocess.run(command, capture_output=True, text=True, timeout=100, check=False)
    assert ran.returncode == 0, ran.stderr
    result: dict[str, Any] = json.loads(ran.stdout.splitlines()[-1])
    return result


def test_exactly_those_who_live_are_found(done: dict[str, Any]) -> None:
    devices = done["review"]["devices"]
    assert sorted(a["address"] for d in devices for a in d["addresses"]) == sorted(LIVE)
    findings = {
        r["device"]
        for r in done["review"]["results"]
        if (r["check"], r["result"]) == ("cleartext-ftp", "fail")
    }
    assert findings == {d["id"] for d in devices}


def test_all_others_were_asked_and_cost_one_deadline(done: dict[str, Any]) -> None:
    coverage, cost = done["review"]["coverage"], done["review"]["review"]["cost"]
    assert (coverage["planned"], coverage["visited"], coverage["answered"]) == (ASKED, ASKED, len(LIVE))
    silent = ASKED - len(LIVE)
    assert cost["connections"] <= silent * 2 + len(LIVE) * 60  # ports 443 and 80 each once
    assert done["seconds"] < 60  # asked one after the other, at 2 s each, it would be half an hour
