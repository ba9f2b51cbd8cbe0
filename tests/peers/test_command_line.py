"""`hardenprobe scan` as a user types it, against several programs at once."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

FOUND = ("cleartext-ftp", "cleartext-http-management", "cleartext-telnet", "unexpected-service")

pytestmark = [pytest.mark.peer, pytest.mark.slow]


@pytest.fixture
def scanned(tmp_path: Path, port_offset: int) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Run the command in a process of its own, with a store of its own."""

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "hardenprobe", "scan", *words, "--port-offset", str(port_offset),
             "--store", str(tmp_path / "store.db")],
            capture_output=True, text=True, timeout=50, check=False,
        )  # fmt: skip

    return run


def test_findings_end_with_1_and_are_json(
    telnetd: Callable[..., str],
    vsftpd: Callable[..., str],
    nginx: Callable[..., dict[str, str]],
    scanned: Callable[..., subprocess.CompletedProcess[str]],
) -> None:
    hosts = {"telnet": telnetd(), "ftp": vsftpd(), **nginx(web="")}
    done = scanned(*hosts.values(), "--json", "-")

    assert done.returncode == 1, done.stderr
    assert "Traceback" not in done.stderr
    found: Any = json.loads(done.stdout)
    failing = {
        (r["check"], r["endpoint"]["address"], r["endpoint"]["port"])
        for r in found["results"]
        if r["result"] == "fail" and r["check"] in FOUND
    }
    assert failing == {
        ("cleartext-telnet", hosts["telnet"], 23),
        ("cleartext-ftp", hosts["ftp"], 21),
        ("cleartext-http-management", hosts["web"], 80),
    }
    assert {d["addresses"][0]["address"] for d in found["devices"]} == set(hosts.values())


def test_a_device_without_a_finding_ends_with_0(
    nginx: Callable[..., dict[str, str]], scanned: Callable[..., subprocess.CompletedProcess[str]]
) -> None:
    host = nginx(web="return 301 https://$host/;")["web"]
    done = scanned(host, "--only", "cleartext-http-management", "--json", "-")

    assert done.returncode == 0, done.stderr
    asked = [r for r in json.loads(done.stdout)["results"] if r["result"] != "notselected"]
    assert [(r["check"], r["result"]) for r in asked] == [("cleartext-http-management", "pass")]


def test_an_address_that_nobody_has_ends_with_3(
    address: Callable[[], str], scanned: Callable[..., subprocess.CompletedProcess[str]]
) -> None:
    done = scanned(address(), "--json", "-")

    assert done.returncode == 3
    assert "no device answered" in done.stderr
    assert json.loads(done.stdout)["results"] == []
