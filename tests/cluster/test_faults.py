"""cluster.coordinator: workers and schedulers that die, stall, come back late or are cut off, while the lab counts who is asked.

Minutes long, so the suite leaves them out: `HARDENPROBE_FAULTS=20 python -m pytest tests/cluster/test_faults.py` plays twenty
random ones, a worker that nobody stands in for, and the loss of the scheduler.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from support.cluster import Cluster, begin, cluster, command

import hardenprobe
from hardenprobe.demo_lab import fleet
from hardenprobe.demo_lab.process import RunningLab, running_lab

pytestmark = [
    pytest.mark.slow,
    pytest.mark.timeout(180),
    pytest.mark.skipif("HARDENPROBE_FAULTS" not in os.environ, reason="minutes long: set HARDENPROBE_FAULTS"),
]

DEVICES, WINDOW, SLACK = 6, 5.0, 0.6  # the window is the time of one visit: nobody is asked again before
RANDOM = range(int(os.environ.get("HARDENPROBE_FAULTS", "1")))
BASELINE = f"""\
baseline: "hasty/1"
extends: "office-device"
title: "Short visits"
dated: "2026-11-30"
sources: ["the test's own"]
gentleness: {{connect: 0.5, greeting: 0.3, reply: 1.0, pause: 0.15, second_try: 0.3, seconds: {WINDOW}, devices_at_once: 2}}
"""
ASKED = ("--only", "cleartext-telnet", "--only", "cleartext-ftp", "--only", "cleartext-http-management",
         "--ports", "21,23,80,443,631", "--no-plugins")  # fmt: skip


@dataclass
class Played:
    """A scan during which something was broken.

    Attributes:
        broken, broken_at: When, by the monotonic clock and in UTC; 0.0 for never.
        asked: Address to when the lab counted connections there, to within a tenth of a second.
    """

    status: int
    said: str
    review: dict[str, Any]
    broken: float
    broken_at: datetime
    asked: dict[str, list[float]]

    @property
    def verdicts(self) -> set[tuple[str, ...]]:
        return {(r["finding"], r["result"]) for r in self.review["results"]}

    def asked_again_too_soon(self) -> dict[str, float]:
        """Who was being asked when it broke, and was asked anew before a visit's time was over: after how many seconds."""
        found = {}
        for device in self.review["devices"]:
            address = device["addresses"][0]["address"]
            seen = [
                o
                for o in self.review["observations"]
                if o["device"] == device["id"] and o["vantage"] == "office"
            ]
            first = min((datetime.fromisoformat(o["asked_at"]) for o in seen), default=None)
            anew = (first - self.broken_at).total_seconds() if first else -1.0
            if (
                anew > 0
                and any(t < self.broken for t in self.asked.get(address, ()))
                and anew < WINDOW - SLACK
            ):
                found[address] = anew
        return found


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningLab]:
    with running_lab(fleet=DEVICES) as running:
        yield running


def scan(
    lab: RunningLab,
    running: Cluster,
    folder: Path,
    fault: Callable[[], None] | None,
    *more: str,
    after: int = 2,
) -> Played:
    """Scan the fleet, and do something once so many devices were asked."""
    (folder / "hasty.yaml").write_text(BASELINE)
    resumed = "--resume" in more
    words = list(more)
    if not resumed:
        words += [
            fleet.span(DEVICES), "--inventory", str(lab.inventory), "--port-offset", str(lab.port_offset),
            "--baseline", str(folder / "hasty.yaml"), "--scope", str(running.folder / "scope.yaml"), *ASKED,
            "--cluster", running.address, "--certificates", str(running.folder / "scan"), "--vantage", "office",
        ]  # fmt: skip
    json_file = folder / f"{time.monotonic_ns()}.json"
    process = subprocess.Popen(
        [sys.executable, "-m", "hardenprobe", "scan", *words, "--store", str(folder / "reviews.db"), "--json", str(json_file)],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    began, broken, broken_at = time.monotonic(), 0.0, datetime.now(UTC)
    counted = lab.counters()["connections"]
    first = dict(counted)
    asked: dict[str, list[float]] = {}
    try:
        while process.poll() is None and time.monotonic() - began < 120:
            now, counts = time.monotonic(), lab.counters()["connections"]
            for address, count in counts.items():
                if count > counted.get(address, 0):
                    asked.setdefault(address, []).append(now)
            counted = counts
            if fault and not broken and sum(counts[a] > first.get(a, 0) for a in counts) >= after:
                fault()
                broken, broken_at = time.monotonic(), datetime.now(UTC)
            time.sleep(0.05)
        _, said = process.communicate(timeout=10)
    finally:
        if process.poll() is None:
            process.kill()
            process.communicate()
    review = json.loads(json_file.read_text()) if json_file.exists() else {}
    return Played(process.returncode, said, review, broken, broken_at, asked)


@pytest.fixture(scope="module")
def whole(lab: RunningLab, tmp_path_factory: pytest.TempPathFactory) -> set[tuple[str, ...]]:
    """The verdicts of a scan by this process alone."""
    (baseline := tmp_path_factory.mktemp("whole") / "hasty.yaml").write_text(BASELINE)
    review = hardenprobe.scan(
        fleet.span(DEVICES), inventory=lab.inventory, baseline=baseline, port_offset=lab.port_offset,
        only=[ASKED[1], ASKED[3], ASKED[5]], ports=ASKED[7], plugins=False,
    )  # fmt: skip
    return {(one.finding, str(one.result)) for one in review.results}


def no_memory(process: int) -> None:
    """Let a process have no more address space than it has: each further allocation fails (getrlimit(2), RLIMIT_AS)."""
    resource.prlimit(process, resource.RLIMIT_AS, (2**20, 2**20))


def stop(process: subprocess.Popen[str], number: int) -> None:
    process.send_signal(number)


@pytest.mark.parametrize("seed", RANDOM)
def test_another_worker_asks_what_a_broken_one_left_and_nobody_is_asked_twice_in_a_row(
    seed: int, lab: RunningLab, whole: set[tuple[str, ...]], tmp_path: Path
) -> None:
    draw = random.Random(seed)
    with cluster(tmp_path / "c", ["office", "office"]) as running:
        number = draw.randrange(2)
        worker, scanner = running.workers[number][1], running.scanner(number)
        faults: dict[str, Callable[[], None]] = {
            "the worker is killed": lambda: stop(worker, signal.SIGKILL),
            "the process that scans is killed": lambda: os.kill(scanner, signal.SIGKILL),
            "the worker stalls": lambda: (stop(worker, signal.SIGSTOP), os.kill(scanner, signal.SIGSTOP))[0],
            "the worker is cut off, and goes on": lambda: stop(worker, signal.SIGSTOP),
            "the worker ends in order": lambda: stop(worker, signal.SIGTERM),
            "the process that scans has no memory": lambda: no_memory(scanner),
        }  # fmt: skip
        name = draw.choice(sorted(faults))
        try:
            broken = scan(lab, running, tmp_path, faults[name])
        finally:
            for process in (worker.pid, scanner):
                with contextlib.suppress(ProcessLookupError):
                    os.kill(process, signal.SIGCONT)

    assert broken.status in (0, 1), (name, broken.said)
    assert broken.verdicts == whole, name
    assert broken.asked_again_too_soon() == {}, name


def test_without_another_worker_devices_stay_unfinished_and_the_reason_says_so(
    lab: RunningLab, tmp_path: Path
) -> None:
    with cluster(tmp_path / "c", ["office"]) as running:
        played = scan(lab, running, tmp_path, lambda: running.workers[0][1].kill())

    assert played.status == 3
    assert "the worker at vantage point office is lost" in " ".join(played.review["notices"])
    assert played.review["coverage"]["unfinished"]
    assert {d["cost"]["connections"] > 0 for d in played.review["devices"] if d["services"]} <= {True}


def test_the_loss_of_the_scheduler_interrupts_the_scan_which_resume_goes_on_with(
    lab: RunningLab, tmp_path: Path
) -> None:
    with cluster(tmp_path / "c", ["office"]) as running:
        lost = scan(lab, running, tmp_path, running.scheduler.kill, after=5)
        running.workers[0][1].communicate(timeout=60)  # it works for nobody
        running.scheduler.communicate()
        running.workers.clear()
        own = ["--listen", running.address, "--certificates", str(running.folder / "scheduler")]
        running.scheduler = begin([*command("scheduler"), *own])
        assert running.scheduler.stdout is not None and "listens" in running.scheduler.stdout.readline()
        running.start(["office"])
        rest = scan(lab, running, tmp_path, None, "--resume", "latest")

    assert lost.status == 3, lost.said
    assert lost.review["review"]["interrupted"]
    assert any("is lost" in one for one in lost.review["notices"])
    assert rest.status in (0, 1), rest.said
    assert rest.review["coverage"]["unfinished"] == []
    done = {
        v for d in lost.review["devices"] if d["services"] for a in d["addresses"] for v in [a["address"]]
    }
    assert done and not done & set(rest.asked)  # what is stored stays, and is not asked again
