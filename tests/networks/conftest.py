"""Networks in namespaces of the test's own, each played in a process of its own; see support/network_play.py."""

from __future__ import annotations

import json
import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.demo_lab.network_lab import ADMITTED, ADMITTED_V6, NETWORK, OTHER

WITH_LISTS = {a for s in NETWORK.stations[:3] for a in s.device.listed.addresses}
SCANS: dict[str, dict[str, Any]] = {
    "the route to each decides": {"network": "NETWORK"},
    "three sources": {
        "network": "NETWORK", "sources": [ADMITTED, OTHER, ADMITTED_V6], "targets": sorted(WITH_LISTS),
    },
}  # fmt: skip
STRAINED = {
    "network": "STRAINED",
    "options": {"ports": "23,80,443,631,9100", "only": ["cleartext-telnet", "cleartext-print-raw", "cleartext-http-management"]},
}  # fmt: skip
_RANGE = {"network": "RANGE", "targets": ["10.77.3.16/28"]}
_NARROW = {"ports": "22,23,80,443", "only": ["cleartext-telnet"]}
RANGES: dict[str, dict[str, Any]] = {
    "no echo": {**_RANGE, "options": _NARROW},
    "an echo": {**_RANGE, "options": _NARROW, "ping": True},
    "first ports of the baseline": {
        **_RANGE,
        "options": {**_NARROW, "baseline": str(Path(__file__).with_name("first_ports.yaml"))},
    },
}
SEEDS = tuple(range(1, 21))
PLAY = Path(__file__).parents[1] / "support" / "network_play.py"
NO_RIGHT = 77


@pytest.fixture(scope="session")
def play(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Mapping[str, Any]], Any]:
    """Run network_play.py and take what it made; skip where namespaces cannot be had, fail on the build machine."""

    def run(what: str, arguments: Mapping[str, Any]) -> Any:
        folder = tmp_path_factory.mktemp("network")
        command = (sys.executable, str(PLAY), what, str(folder), json.dumps(arguments))
        done = subprocess.run(command, capture_output=True, text=True, timeout=180, check=False)
        if done.returncode == NO_RIGHT and not os.environ.get("CI"):
            pytest.skip(done.stderr.strip())
        assert done.returncode == 0, done.stderr[-4000:]
        return pickle.loads((folder / "played.pickle").read_bytes())

    return run


@pytest.fixture(scope="session")
def played(play: Callable[..., Any]) -> dict[str, Any]:
    """What came of the shipped network's scans and of twenty random networks, all side by side, since they mostly wait."""
    scans = {**SCANS, **RANGES, "strained": STRAINED}
    found: dict[str, Any] = play("scan", {"scans": scans, "seeds": SEEDS, "at_once": 30})
    return found


@pytest.fixture(params=SCANS)
def scanned(request: pytest.FixtureRequest, played: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """What one scan was asked, and what came of it."""
    made = played[request.param]
    assert "failed" not in made, made["failed"]
    return SCANS[request.param], made
