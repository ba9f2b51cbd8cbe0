"""A scan in progress: what is kept of it, who may take it up, and what becomes of it when the store fails."""

from __future__ import annotations

import asyncio
import os
import platform
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.facts import TcpPort
from hardenprobe.model import Cost, Endpoint, State
from hardenprobe.model.packing import pack
from hardenprobe.model.transcript import observation
from hardenprobe.model.visit import BLOCK, ScanRecord, SilentAddresses, Visit
from hardenprobe.model.visit_document import decode_visit, encode_visit
from hardenprobe.store import opening
from hardenprobe.store.journal import Journal
from hardenprobe.store.persistence import Keeper
from hardenprobe.store.spool import SUFFIX, Spool

BEGUN = ScanRecord(
    id="20260101-000000-abcdef",
    started="2026-01-01T00:00:00Z",
    scope="loopback",
    seed=7,
    plan_hash="0" * 64,
    expected_hash="1" * 64,
    request={"targets": [["127.0.0.1", "127.0.0.1", "127.0.0.1", None]]},
)
NOBODY = "elsewhere 1"  # a process of another machine is taken to be gone


def visit(number: int, outcome: str = "answered", port: int = 23) -> Visit:
    address = f"127.1.2.{number}"
    facts = TcpPort(state=State.ACCEPTING, greeting="hello", tries=1)
    where = Endpoint(address=address, transport="tcp", port=port)
    seen = observation(facts, where, "here", "2026-01-01T00:00:00Z")
    return Visit(
        address=address, vantage="here", outcome=outcome, observations=(seen,), cost=Cost(connections=number)
    )


def test_visit_reads_back_as_it_was() -> None:
    assert decode_visit(encode_visit(visit(3))) == visit(3)


@given(st.dictionaries(st.integers(0, 3 * BLOCK), st.sampled_from(["silent", "refused"]), max_size=50))
def test_positions_of_nobody_are_known_and_counted(asked: dict[int, str]) -> None:
    quiet = SilentAddresses()
    for position, outcome in asked.items():
        quiet.note("here", position, outcome)
    assert all(quiet.known("here", position) for position in asked)
    assert not any(quiet.known("there", position) for position in asked)
    assert quiet.count("here") == len(asked)
    assert {block for _, block in quiet.take_changed()} == {position // BLOCK for position in asked}
    assert not quiet.take_changed()


def test_everything_kept_is_handed_back(url: str) -> None:
    quiet = SilentAddresses()
    with opening.opened(url) as kept:
        journal = Journal(kept)
        journal.begin(BEGUN)
        quiet.note("here", 5, "silent")
        journal.keep(BEGUN.id, [visit(1)], quiet.take_changed(), Cost(connections=9))
        again = SilentAddresses()
        again.note("here", BLOCK - 1, "refused")
        journal.keep(BEGUN.id, [visit(1), visit(2)], again.take_changed())
        (line,) = journal.unfinished()
        assert (line.id, line.scope, line.devices, line.running) == (BEGUN.id, "loopback", 2, False)
    with opening.opened(url) as kept:
        taken = Journal(kept).take_up("latest")
        assert taken.begun == BEGUN
        assert {v.address for v in taken.visits} == {"127.1.2.1", "127.1.2.2"}
        assert taken.quiet.known("here", 5) and taken.quiet.known("here", BLOCK - 1)
        assert taken.quiet.count("here") == 2
        assert taken.sweep == Cost(connections=9)
        Journal(kept).forget(BEGUN.id)
        assert not Journal(kept).unfinished()


def test_only_an_unfinished_scan_that_nobody_runs_is_taken_up(url: str) -> None:
    with opening.opened(url) as kept:
        journal = Journal(kept)
        with pytest.raises(UsageError, match="no scan was left unfinished"):
            journal.take_up("latest")
        journal.begin(BEGUN, runner=f"{os.uname().nodename} {os.getppid()}")
        assert journal.unfinished()[0].running
        with pytest.raises(UsageError, match=f"still running, as process {os.getppid()}"):
            journal.take_up(BEGUN.id)
        with pytest.raises(UsageError, match="no unfinished scan '1999'"):
            journal.take_up("1999")
        journal.begin(BEGUN, runner=NOBODY)
        assert journal.take_up(BEGUN.id[:8]).begun == BEGUN


def test_changed_row_is_refused_in_one_line(url: str, edit: Callable[..., int]) -> None:
    with opening.opened(url) as kept:
        journal = Journal(kept)
        journal.begin(BEGUN)
        journal.keep(BEGUN.id, [visit(1)], {})
        edit(url, "update visits set document = :packed", packed=pack("{}"))
        with pytest.raises(StoreRefused, match="cannot be read"):
            list(journal.take_up(BEGUN.id).visits)


@pytest.mark.slow
def test_how_far_a_scan_is_can_be_watched(url: str) -> None:
    """The scan is a process that sleeps; the watching one ends when it does. An open print port is one finding."""
    asked = {**BEGUN.request, "only": ["cleartext-print-raw"], "plugins": False}
    begun = replace(BEGUN, request=asked, planned={"here": 2000})
    watching = [sys.executable, "-m", "hardenprobe", "reviews", "--watch", "--store", url]
    with opening.opened(url) as kept, subprocess.Popen(["sleep", "50"]) as scan:
        quiet = SilentAddresses()
        for position in range(1500):
            quiet.note("here", position, "silent")
        journal = Journal(kept)
        journal.begin(begun, runner=f"{platform.node()} {scan.pid}")
        journal.keep(BEGUN.id, [visit(1, port=9100), visit(2, port=9100)], quiet.take_changed())
        with subprocess.Popen(watching, stderr=subprocess.PIPE, text=True) as watch:
            assert watch.stderr
            said = watch.stderr.readline()
            assert "from here 1,502 of 2,000 addresses done, 2 devices, 2 open findings so far" in said
            journal.keep(BEGUN.id, [visit(3)], {})
            assert "1,503 of 2,000 addresses done, 3 devices, 2 open findings" in watch.stderr.readline()
            scan.kill()
            scan.wait()
            assert "scan --resume" in watch.stderr.read()


# --- the spool


async def _keep_with(how: str, file: Path) -> Keeper:
    with opening.opened(str(file)) as kept, Keeper(kept, BEGUN) as one:

        async def keep(
            *made: Visit, quiet: dict[tuple[str, int], bytes] | None = None, cost: Cost | None = None
        ) -> None:
            await one.keep([one.visits.add(visit).whole() for visit in made], quiet or {}, cost or Cost())

        await keep(visit(1))
        assert one.failed is None
        if how == "deleted":
            file.unlink()
        elif how == "replaced":
            file.rename(file.with_suffix(".old"))
            file.write_bytes(b"")
        else:
            with sqlite3.connect(file) as db:
                db.execute("drop table visits")
        await keep(visit(2), visit(3, "unfinished"), quiet={("here", 0): bytes(BLOCK)})
        await keep(visit(4), cost=Cost(connections=3))
        return one


@pytest.mark.parametrize("how", ["deleted", "replaced", "broken"])
def test_store_that_fails_leaves_a_spool_that_is_taken_in(
    tmp_path: Path, how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("hardenprobe.store.spool.this_process", lambda: NOBODY)
    file = tmp_path / "store.db"
    one = asyncio.run(_keep_with(how, file))
    assert one.failed
    (spool,) = tmp_path.glob(f"*{SUFFIX}")
    assert spool.stat().st_mode & 0o777 == 0o600
    if how == "replaced":
        file.unlink()
    with opening.opened(str(file)) as kept:
        came_in = 2 if how == "broken" else 3  # what the lost file held comes from the scan itself
        assert any(f"{came_in} visits came in" in notice for notice in kept.notices)
        taken = Journal(kept).take_up(BEGUN.id)
        # The third was not finished, so it is asked again.
        assert [v.address for v in taken.visits] == ["127.1.2.1", "127.1.2.2", "127.1.2.4"][-came_in:]
        assert taken.quiet.blocks == {("here", 0): bytearray(BLOCK)}
        assert taken.sweep == Cost(connections=3)
    assert not list(tmp_path.glob(f"*{SUFFIX}"))


def test_scan_without_trouble_leaves_no_spool(tmp_path: Path) -> None:
    with opening.opened(str(tmp_path / "store.db")) as kept, Keeper(kept, BEGUN):
        assert list(tmp_path.glob(f"*{SUFFIX}"))
    assert not list(tmp_path.glob(f"*{SUFFIX}"))


def test_spool_of_a_running_scan_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    parent = f"{os.uname().nodename} {os.getppid()}"
    monkeypatch.setattr("hardenprobe.store.spool.this_process", lambda: parent)
    file = tmp_path / "store.db"
    with opening.opened(str(file)) as kept:
        spool = Spool(kept, BEGUN)
        spool.write([visit(1)], {}, Cost())
    with opening.opened(str(file)) as kept:
        assert not kept.notices and not Journal(kept).unfinished()
    spool.close()
    assert spool.path.exists()


@settings(max_examples=15, deadline=None)
@given(cut=st.integers(0, 400), damage=st.integers(0, 400))
@pytest.mark.slow
def test_torn_spool_loses_its_torn_lines_only(
    tmp_path_factory: pytest.TempPathFactory, cut: int, damage: int
) -> None:
    file = tmp_path_factory.mktemp("store") / "store.db"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("hardenprobe.store.spool.this_process", lambda: NOBODY)
        with opening.opened(str(file)) as kept:
            spool = Spool(kept, BEGUN)
            for number in range(1, 6):
                spool.write([visit(number)], {}, Cost())
            spool.close()
    text = spool.path.read_bytes()
    head = text.index(b"\n") + 1
    body = bytearray(text[head : len(text) - cut])
    if damage < len(body):
        body[damage] = ord("!")
    spool.path.write_bytes(text[:head] + bytes(body))
    with opening.opened(str(file)) as kept:
        scans = Journal(kept).unfinished()
        kept_visits = Journal(kept).take_up("latest").visits if scans else ()
    assert all(v == visit(int(v.address.rpartition(".")[2])) for v in kept_visits)
    lost = 1 + (cut > 0) + cut // 200
    assert len(kept_visits) >= 5 - lost - 1


def test_no_room_is_said_before_anything_is_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "posix_fallocate", full)
    with opening.opened(str(tmp_path / "store.db")) as kept:
        with pytest.raises(StoreRefused, match="no room to scan safely: No space left"):
            Keeper(kept, BEGUN)
        assert not list(tmp_path.glob(f"*{SUFFIX}"))
        assert not Journal(kept).unfinished()
