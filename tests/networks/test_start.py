"""`hardenprobe lab start --network`: what it prints is what a person runs."""

from __future__ import annotations

import json
import os
import shlex
import signal
import subprocess
import sys

import pytest

pytestmark = pytest.mark.slow


def test_the_command_that_it_prints_scans_the_network_lab() -> None:
    command = (sys.executable, "-u", "-m", "hardenprobe", "lab", "start", "--network")
    lab = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    assert lab.stdout is not None
    try:
        said = [lab.stdout.readline()]
        if "needs the right" in said[0] and not os.environ.get("CI"):
            pytest.skip(said[0].strip())
        said += [lab.stdout.readline(), lab.stdout.readline()]
        assert "the network lab is up on 10.77.1.0/24, fd00:77:1::/64" in said[0]
        enter, _, scan = said[1].strip().partition(" hardenprobe scan ")
        narrow = ("10.77.1.21", "--only", "cleartext-telnet", "--ports", "23", "--json", "-", "--no-plugins")
        options = scan[scan.index("--inventory") :]
        done = subprocess.run(
            [*shlex.split(enter), sys.executable, "-m", "hardenprobe", "scan", *shlex.split(options), *narrow],
            capture_output=True, text=True, timeout=50, check=False,
        )  # fmt: skip
        assert done.returncode in (1, 3), (
            done.stderr
        )  # listed devices that this scan does not ask for are not missed
        fails = [r for r in json.loads(done.stdout)["results"] if r["result"] == "fail"]
        assert [(r["check"], r["endpoint"]["address"]) for r in fails] == [("cleartext-telnet", "10.77.1.21")]
        lab.send_signal(signal.SIGINT)
        assert "stopped" in lab.communicate(timeout=20)[0]
        assert lab.returncode == 0
    finally:
        if lab.poll() is None:
            lab.kill()
            lab.communicate()


def test_it_starts_no_two_labs(capfd: pytest.CaptureFixture[str]) -> None:
    command = (sys.executable, "-m", "hardenprobe", "lab", "start", "--network", "--hostile")
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "start different labs; choose one" in done.stderr
