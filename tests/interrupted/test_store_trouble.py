"""A store that fills up, is held, is taken away or is shared while devices are asked: nothing that was seen is lost."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.store import opening
from hardenprobe.store.journal import Journal
from hardenprobe.store.spool import ROOM, SUFFIX

pytestmark = pytest.mark.slow


@pytest.fixture(autouse=True)
def unhurried(fleet: Any) -> None:
    """The other devices are done and kept long before the last one."""
    fleet.last_takes = 0.4


@pytest.fixture
def undisturbed(new_run: Any, process: Any, asked: list[str], fleet: Any, essence: Any) -> Any:
    """What a scan without trouble gives; it runs beside the one in trouble."""
    run = new_run(90)
    scan = run.start(process, *asked, "--source", run.source)

    def ended() -> dict[str, Any]:
        scan.join(60)
        assert scan.exitcode == 1, run.said.read_text(encoding="utf-8")
        found: dict[str, Any] = essence(run.review)
        assert found["results"] and found["coverage"]["answered"] == len(fleet.addresses)
        return found

    return ended


def halfway(file: Path, alive: Callable[[], bool], said: Path) -> None:
    """Wait until the first devices are kept in a store; the last ones take longer."""
    copy = said.with_suffix(
        ".copy"
    )  # the database itself would look for the file where this process sees none
    while True:
        with contextlib.suppress(OSError, sqlite3.Error):
            shutil.copyfile(file, copy)
            with contextlib.closing(sqlite3.connect(copy)) as db:
                if db.execute("select count(*) from visits").fetchone()[0]:
                    return
        assert alive(), said.read_text(encoding="utf-8")
        time.sleep(0.01)


def goes_on(said: str) -> None:
    assert re.search(r"`hardenprobe scan --resume \S+` goes on", said), said
    assert "what was seen is kept" in said and "Traceback" not in said


@contextlib.contextmanager
def held(file: Path) -> Iterator[None]:
    """Another process's lock on a store."""
    hold = "import sqlite3, sys; db = sqlite3.connect(sys.argv[1]); db.execute('begin exclusive'); print(1, flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", hold, file], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout and holder.stdout.readline() == b"1\n"
        yield
        holder.communicate(b"\n")


def test_a_store_that_another_process_holds_for_a_while(
    new_run: Any, process: Any, asked: list[str], essence: Any, undisturbed: Any
) -> None:
    """Longer than the five seconds for which the database waits by itself (sqlite3_busy_timeout): the scan waits on."""
    run = new_run(6)
    scan = run.start(process, *asked, "--source", run.source)
    halfway(run.store, scan.is_alive, run.said)
    with held(run.store):
        scan.join(6.5)
        assert scan.is_alive()
    scan.join(60)
    assert scan.exitcode == 1, run.said.read_text(encoding="utf-8")
    assert essence(run.review) == undisturbed()


@pytest.mark.skipif("HARDENPROBE_FAULTS" not in os.environ, reason="minutes long: set HARDENPROBE_FAULTS")
@pytest.mark.timeout(300)
def test_a_store_that_another_process_holds(
    fleet: Any, new_run: Any, process: Any, asked: list[str], essence: Any, undisturbed: Any
) -> None:
    run = new_run(1)
    scan = run.start(process, *asked, "--source", run.source)
    halfway(run.store, scan.is_alive, run.said)
    with held(run.store):
        scan.join(240)
    said = run.said.read_text(encoding="utf-8")
    assert scan.exitcode == 3 and "another process holds it" in said, said
    goes_on(said)
    assert list(run.folder.glob(f"{run.store.name}-*{SUFFIX}"))
    resumed(run, process, fleet, essence, undisturbed)


def test_a_store_that_is_taken_away(
    fleet: Any, new_run: Any, process: Any, asked: list[str], essence: Any, undisturbed: Any
) -> None:
    run = new_run(2)
    scan = run.start(process, *asked, "--source", run.source)
    halfway(run.store, scan.is_alive, run.said)
    run.store.unlink()
    scan.join(60)
    said = run.said.read_text(encoding="utf-8")
    assert scan.exitcode == 3 and "was deleted or replaced" in said, said
    goes_on(said)
    resumed(run, process, fleet, essence, undisturbed)


def resumed(run: Any, process: Any, fleet: Any, essence: Any, undisturbed: Any) -> None:
    """Going on takes the spool in, asks no finished device again, and ends as without trouble."""
    with opening.opened(str(run.store)) as opened:
        done = {visit.address for visit in Journal(opened).take_up("latest").visits}
    assert done
    before = {device: fleet.connections[run.source, device] for device in done}
    going_on = run.start(process, "--resume", "latest")
    going_on.join(60)
    assert going_on.exitcode == 1, run.said.read_text(encoding="utf-8")
    assert {device: fleet.connections[run.source, device] for device in done} == before
    assert essence(run.review) == undisturbed()
    assert not list(run.folder.glob(f"{run.store.name}-*{SUFFIX}"))


FULL = """
mount -t tmpfs -o size={size} none {disk} && touch {disk}/mounted
{scan} --store {disk}/store.db --json {out}; echo $? > {status}
rm {disk}/fill
{resume} --store {disk}/store.db --json {out}; echo $? >> {status}
"""


def test_a_disk_that_is_full(
    tmp_path: Path, asked: list[str], essence: Any, undisturbed: Any, new_run: Any
) -> None:
    alone = shutil.which("unshare")
    if alone is None or os.getuid() or subprocess.run((alone, "--mount", "true"), check=False).returncode:
        pytest.skip("needs the privilege to mount a small disk")
    run, disk, status = new_run(3), tmp_path / "disk", tmp_path / "status"
    disk.mkdir()
    command = f"{sys.executable} -m hardenprobe scan"
    script = FULL.format(
        size=ROOM + 2**20, disk=disk, status=status, out=run.folder / f"{run.number}.json",
        scan=f"{command} {' '.join(asked)} --source {run.source}", resume=f"{command} --resume latest",
    )  # fmt: skip
    with (
        run.said.open("w") as said,
        subprocess.Popen([alone, "--mount", "sh", "-c", script], stdout=said, stderr=said) as shell,
    ):
        # The mount is seen by the shell and its children alone.
        inside = Path(f"/proc/{shell.pid}/root{disk}")
        halfway(inside / "store.db", lambda: shell.poll() is None, run.said)
        assert (inside / "mounted").exists()
        fill(inside / "fill")
        shell.wait(90)
    said_at_last = run.said.read_text(encoding="utf-8")
    assert status.read_text().split() == ["3", "1"], said_at_last
    assert "the disk is full" in said_at_last and "came in from its spool" in said_at_last
    goes_on(said_at_last)
    assert essence(run.review) == undisturbed()


def fill(file: Path) -> None:
    """Take all the room that a disk has left."""
    with contextlib.suppress(OSError), file.open("wb", buffering=0) as out:
        while True:
            out.write(bytes(4096))


def test_two_scans_into_one_store_at_once(
    new_run: Any, process: Any, asked: list[str], essence: Any, undisturbed: Any
) -> None:
    one, other = new_run(4), new_run(5, kept_in=4)
    scans = [run.start(process, *asked, "--source", run.source) for run in (one, other)]
    for scan in scans:
        scan.join(60)
    said = one.said.read_text(encoding="utf-8") + other.said.read_text(encoding="utf-8")
    assert [scan.exitcode for scan in scans] == [1, 1], said
    expected = undisturbed()
    assert essence(one.review) == essence(other.review) == expected
    ids = {run.review["review"]["id"] for run in (one, other)}
    with opening.opened(str(one.store)) as opened:
        listed = opened.reviews()
        assert {row.id for row in listed} == ids
        assert all(row.intact for row in listed)
        assert not Journal(opened).unfinished()
