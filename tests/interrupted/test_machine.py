"""Faults of our own machine while devices are asked: complete results, or honest ones and a scan that can go on."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from .test_store_trouble import goes_on, halfway

pytestmark = pytest.mark.slow

STOPS = 3


def test_a_process_that_is_stopped_and_continued_misses_nothing(
    fleet: Any, new_run: Any, process: Any, asked: list[str], essence: Any
) -> None:
    """Stopped for longer than any wait of the scan, as by a lid that is closed: what came meanwhile still counts."""
    fleet.last_takes = 0.2
    run, other = new_run(1), new_run(2)
    undisturbed = other.start(process, *asked, "--source", other.source)
    scan = run.start(process, *asked, "--source", run.source)
    stops = 0
    while scan.is_alive() and stops < STOPS:
        seen = fleet.of(run.source)
        while scan.is_alive() and fleet.of(run.source) < seen + random.randint(1, 4):
            time.sleep(0.005)
        os.kill(scan.pid, signal.SIGSTOP)
        time.sleep(0.3 if stops else 3.5)
        os.kill(scan.pid, signal.SIGCONT)
        stops += 1
    scan.join(60)
    undisturbed.join(60)

    said = run.said.read_text(encoding="utf-8")
    assert scan.exitcode == 1 and "Traceback" not in said, said
    assert stops > 1
    found, expected = essence(run.review), essence(other.review)
    assert (found["results"], found["coverage"]) == (expected["results"], expected["coverage"])


READ_ONLY = """
mkfs.ext4 -q {image} && mount -o loop,errors=remount-ro {image} {disk} && findmnt -no SOURCE {disk} > {device} || exit 9
{scan} --store {disk}/store.db --json {out}; echo $? > {status}
umount {disk} && mount -o loop {image} {disk}
{resume} --store {disk}/store.db --json {out}; echo $? >> {status}
"""


def test_a_file_system_that_turns_read_only(
    tmp_path: Path, fleet: Any, new_run: Any, process: Any, asked: list[str], essence: Any
) -> None:
    """ext4 with errors=remount-ro, told of an error by trigger_fs_error (Linux, Documentation/ABI/testing/sysfs-fs-ext4)."""
    fleet.last_takes = 0.4
    alone = shutil.which("unshare")
    if not alone or not shutil.which("mkfs.ext4") or os.getuid():
        pytest.skip("needs the privilege to mount a file system, and mkfs.ext4")
    run, other = new_run(3), new_run(4)
    undisturbed = other.start(process, *asked, "--source", other.source)
    disk, image, status, device = (tmp_path / name for name in ("disk", "image", "status", "device"))
    disk.mkdir()
    with image.open("wb") as blank:
        blank.truncate(64 * 2**20)
    command = f"{sys.executable} -m hardenprobe scan"
    script = READ_ONLY.format(
        image=image, disk=disk, device=device, status=status, out=run.folder / f"{run.number}.json",
        scan=f"{command} {' '.join(asked)} --source {run.source}", resume=f"{command} --resume latest",
    )  # fmt: skip
    with (
        run.said.open("w") as said,
        subprocess.Popen([alone, "--mount", "sh", "-c", script], stdout=said, stderr=said) as shell,
    ):
        while not device.exists() or not device.read_text():
            if shell.poll() is not None:
                pytest.skip(f"no file system in a file here: {run.said.read_text(encoding='utf-8')}")
            time.sleep(0.01)
        halfway(Path(f"/proc/{shell.pid}/root{disk}/store.db"), lambda: shell.poll() is None, run.said)
        name = Path(device.read_text().strip()).name
        Path(f"/sys/fs/ext4/{name}/trigger_fs_error").write_text("1")
        shell.wait(90)
    undisturbed.join(60)
    said_at_last = run.said.read_text(encoding="utf-8")
    assert status.read_text().split() == ["3", "1"], said_at_last
    goes_on(said_at_last)
    found, expected = essence(run.review), essence(other.review)
    assert (found["results"], found["coverage"]) == (expected["results"], expected["coverage"])


FAKETIME = next(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"), None)


@pytest.mark.skipif(FAKETIME is None, reason="needs the Debian package libfaketime")
def test_a_clock_that_is_stepped(
    tmp_path: Path, fleet: Any, new_run: Any, process: Any, asked: list[str], essence: Any
) -> None:
    """The wall clock alone, as a time server or a person steps it; monotonic time goes on (clock_settime(2))."""
    fleet.last_takes = 0.4
    run, other = new_run(5), new_run(6)
    undisturbed = other.start(process, *asked, "--source", other.source)
    clock = tmp_path / "clock"
    clock.write_text("+0")
    fake = {"LD_PRELOAD": str(FAKETIME), "FAKETIME_TIMESTAMP_FILE": str(clock), "FAKETIME_NO_CACHE": "1", "DONT_FAKE_MONOTONIC": "1"}  # fmt: skip
    command = [sys.executable, "-m", "hardenprobe", "scan", *asked, "--source", run.source]
    command += ["--store", str(run.store), "--json", str(run.folder / f"{run.number}.json")]
    with (
        run.said.open("w") as said,
        subprocess.Popen(command, env={**os.environ, **fake}, stdout=said, stderr=said) as scan,
    ):
        for step in ("+5h", "-3d"):
            seen = fleet.of(run.source)
            while scan.poll() is None and fleet.of(run.source) < seen + 6:
                time.sleep(0.005)
            clock.write_text(step)
        scan.wait(60)
    undisturbed.join(60)
    said_at_last = run.said.read_text(encoding="utf-8")
    review = run.review
    assert scan.returncode == 1 and "Traceback" not in said_at_last, said_at_last
    assert any("the clock of this machine was set" in notice for notice in review["notices"])
    assert review["review"]["started"] <= review["review"]["finished"]
    found, expected = essence(review), essence(other.review)
    assert (found["results"], found["coverage"]) == (expected["results"], expected["coverage"])
