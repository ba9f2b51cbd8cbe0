"""Devices that attack the scanner, all at once, with good ones among them: nothing hangs, grows, crashes or gets out."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from support.offset import OFFSET

import hardenprobe
from hardenprobe.demo_lab import hostile, running_lab
from hardenprobe.demo_lab.process import BASELINE, HOSTILE
from hardenprobe.demo_lab.scan_lab import guilts
from hardenprobe.demo_lab.truth import Guilt, expected_findings
from hardenprobe.facts import ProbeFault
from hardenprobe.model import Reason, Review, Word
from hardenprobe.model.document import from_document
from hardenprobe.reports import FORMATS

SECONDS = 90  # the ceiling of one device; the slowest takes a third of it on an idle machine
MEMORY_MB = 400  # the shipped lab takes 170
GENTLENESS = """
baseline: "hasty/1"
title: "As shipped, with short waits"
dated: "2026-11-25"
extends: "%s"
gentleness: {connect: 1.0, greeting: 0.2, reply: 1.2, pause: 0.0, seconds: %d.0}
"""
WITNESS = "127.78.0.250"


@dataclass(frozen=True, kw_only=True)
class Scan:
    """What came of the command.

    Attributes:
        shown: Standard output and standard error.
        memory_mb: The most that the process held.
    """

    review: Review
    status: int
    shown: bytes
    seconds: float
    memory_mb: float
    connections: dict[str, int]


def held_mb(pid: int) -> float:
    """The most that a process has held so far. (ru_maxrss would tell of this one's too, from which it was started.)"""
    with contextlib.suppress(OSError):
        if found := re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{pid}/status").read_text()):
            return int(found[1]) / 1024
    return 0.0


@pytest.fixture(scope="module")
def scan(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scan]:
    """`hardenprobe scan` over the hostile lab, as a process of its own."""
    folder = tmp_path_factory.mktemp("hostile")
    (folder / "hasty.yaml").write_text(GENTLENESS % (BASELINE, SECONDS))
    env = {
        **os.environ,
        "PYTHONPATH": str(Path(hardenprobe.__file__).parent.parent),
        "HOME": str(folder),
        "XDG_DATA_HOME": str(folder / "data"),
        "XDG_STATE_HOME": str(folder / "state"),
    }
    with running_lab(HOSTILE, port_offset=OFFSET) as lab, (folder / "shown").open("wb") as shown:
        command = [
            sys.executable, "-m", "hardenprobe", "scan", hostile.ADDRESSES, "--no-plugins",
            "--inventory", str(HOSTILE), "--trust-anchor", str(lab.ca_file),
            "--baseline", str(folder / "hasty.yaml"), "--port-offset", str(OFFSET),
            "--store", str(folder / "store.db"), "--json", str(folder / "review.json"),
        ]  # fmt: skip
        began = time.monotonic()
        process = subprocess.Popen(command, env=env, stdout=shown, stderr=shown, cwd=folder)
        memory_mb = 0.0
        try:
            while process.poll() is None:
                memory_mb = max(memory_mb, held_mb(process.pid))
                time.sleep(0.05)
        finally:
            if process.returncode is None:
                process.kill()
                process.wait()
        seconds = time.monotonic() - began
        connections = lab.counters()["connections"]
    printed = (folder / "shown").read_bytes()
    assert (folder / "review.json").exists(), printed[-2000:].decode("utf-8", "replace")
    review = from_document(json.loads((folder / "review.json").read_bytes()))
    print(f"{seconds:.1f} s, {memory_mb:.0f} MB")
    yield Scan(
        review=review,
        status=process.returncode,
        shown=printed,
        seconds=seconds,
        memory_mb=memory_mb,
        connections=connections,
    )


def test_the_table_for_developers_is_the_declaration() -> None:
    """Replace the table by what `hostile.table()` gives."""
    text = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text()
    assert hostile.table() in text


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_it_ends_in_time_and_in_bounds(scan: Scan) -> None:
    assert scan.status == 1  # findings stand, and nothing worse
    assert scan.seconds < SECONDS + 30
    assert 0 < scan.memory_mb < MEMORY_MB
    faults = [
        (d.asset_tag, f.facts)
        for d in scan.review.devices
        for f in scan.review.observations[d.id]
        if isinstance(f.facts, ProbeFault)
    ]
    assert not [f for f in faults if f[1].reason is Reason.CRASHED]
    assert not [f for f in faults if "time for one device" in f[1].text]
    assert not [r for r in scan.review.results if r.result is Word.ERROR]
    assert {d.asset_tag for d in scan.review.devices} >= {d.listed.asset_tag for d in hostile.attackers()}
    limit = 4_000_000 + 65536  # the shipped ceiling, and one receive that was under way
    assert all(d.cost.bytes_received <= limit for d in scan.review.devices)


@pytest.mark.slow
@pytest.mark.timeout(180)
@pytest.mark.parametrize("tag", [d.listed.asset_tag for d in hostile.attackers()])
def test_an_attack_gets_the_answer_that_the_table_says(scan: Scan, tag: str) -> None:
    lab = next(d.lab for d in hostile.attackers() if d.listed.asset_tag == tag)
    device = next(d.id for d in scan.review.devices if d.asset_tag == tag)
    assert lab
    assert lab.answers
    for check, allowed in lab.answers.items():
        words = {str(r.result) for r in scan.review.results if (r.device, r.check) == (device, check)}
        assert words, check
        assert words <= set(allowed), check


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_the_good_ones_do_not_suffer(scan: Scan) -> None:
    def good(found: set[Guilt]) -> set[Guilt]:
        return {g for g in found if g.device in ("HG-01", "HG-02")}

    truth = expected_findings(HOSTILE, "127.0.0.1", [])
    judged = {g.check for g in truth}
    assert {g for g in good(guilts(scan.review)) if g.check in judged} == good(truth)
    assert {g.device for g in good(truth)} == {"HG-01", "HG-02"}


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_nobody_is_led_away(scan: Scan) -> None:
    assert scan.connections.get("127.78.0.9")
    assert WITNESS not in scan.connections


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_what_is_shown_is_inert(scan: Scan) -> None:
    assert b"HX-32" in scan.shown
    assert not [byte for byte in scan.shown if byte < 0x20 and byte != 0x0A]
    page = io.BytesIO()
    FORMATS["html"](scan.review, page)
    for active in (b"<script>alert", b"<img src=x", b"\x1b", b"\0"):
        assert active not in page.getvalue()
    table = io.BytesIO()
    FORMATS["csv"](scan.review, table)
    cells = [cell for row in csv.reader(io.StringIO(table.getvalue().decode("utf-8-sig"))) for cell in row]
    assert any("alert(1)" in cell for cell in cells)
    assert not [cell for cell in cells if cell.lstrip().startswith(("=", "+", "-", "@"))]
    assert all(cell.isprintable() for cell in cells)
