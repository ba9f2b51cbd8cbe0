"""Scans that are killed go on, ask no finished device again, and end with the review that an undisturbed one gives."""

from __future__ import annotations

import contextlib
import os
import random
import re
import signal
import sqlite3
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.store import opening
from hardenprobe.store.journal import Journal

SCANS = 20

pytestmark = pytest.mark.slow


def test_scan_interrupted_once_stores_what_it_has_and_goes_on(
    fleet: Any, new_run: Any, process: Any, asked: list[str]
) -> None:
    run = new_run(0)
    scan = run.start(process, *asked, "--source", run.source)
    while not fleet.connections[run.source, fleet.addresses[-1]]:
        assert scan.is_alive()
        time.sleep(0.01)
    os.kill(scan.pid, signal.SIGINT)
    scan.join(60)
    assert scan.exitcode == 3
    said = run.said.read_text(encoding="utf-8")
    assert "is stored" in said and re.search(r"`hardenprobe scan --resume \S+` goes on", said), said
    partial = run.review
    assert partial["review"]["interrupted"]
    going_on = run.start(process, "--resume", "latest")
    going_on.join(60)
    whole = run.review
    assert not whole["review"]["interrupted"]
    assert whole["review"]["resumed_from"] == partial["review"]["id"] != whole["review"]["id"]
    assert whole["coverage"]["answered"] == len(fleet.addresses)
    with opening.opened(str(run.store)) as kept:
        assert [one.id for one in kept.reviews()] == [whole["review"]["id"], partial["review"]["id"]]
        assert all(one.intact for one in kept.reviews())


def test_scan_resumed_a_week_later_keeps_both_dates(
    fleet: Any, new_run: Any, process: Any, asked: list[str], essence: Any
) -> None:
    fleet.last_takes = 1.0  # the others are finished meanwhile, and kept
    run, undisturbed = new_run(0), new_run(1)
    scan = run.start(process, *asked, "--source", run.source)
    while not _kept(run):
        assert scan.is_alive(), run.said.read_text(encoding="utf-8")
        time.sleep(0.005)
    os.kill(scan.pid, signal.SIGKILL)
    scan.join(10)
    fleet.last_takes = 0.0
    before = _finished(run)
    assert before
    beside = undisturbed.start(process, *asked, "--source", undisturbed.source)
    going_on = run.start(process, "--resume", "latest", days=7)
    for one in (going_on, beside):
        one.join(60)
        assert one.exitcode == 1
    head = run.review["review"]
    days = datetime.fromisoformat(head["finished"]) - datetime.fromisoformat(head["started"])
    assert days.days in (6, 7)
    dated = {
        o["endpoint"]["address"]: o["asked_at"][:10] for o in run.review["observations"] if o["endpoint"]
    }
    first, last = head["started"][:10], head["finished"][:10]
    assert {a: day for a, day in dated.items() if a in before} == dict.fromkeys(before, first)
    assert {day for a, day in dated.items() if a not in before} == {last}
    (notice,) = (n for n in run.review["notices"] if "resumed on" in n)
    assert f"begun on {first}" in notice and f"resumed on {last}" in notice
    assert f"{len(before)} of the devices" in notice
    assert essence(run.review) == essence(undisturbed.review)


def test_scan_that_meets_the_end_of_its_window_stops_cleanly_and_goes_on(
    fleet: Any, new_run: Any, process: Any, asked: list[str], essence: Any, tmp_path: Path
) -> None:
    fleet.last_takes = 0.3
    here = fleet.addresses[0].rpartition(".")[0] + ".0/24"
    first, last = (f"{datetime.now(UTC) + timedelta(hours=h):%H:%M}" for h in (-1, 1))
    scope = tmp_path / "scope.yaml"
    scope.write_text(
        f'scope: "hardenprobe.scope/1"\nname: "night"\nauthorised_by: "owner, change 12"\nuntil: "2999-12-31"\n'
        f'networks: ["{here}"]\nwindow: {{first: "{first}", last: "{last}", zone: "UTC"}}\n',
        encoding="utf-8",
    )
    run, clock = new_run(1), tmp_path / "two-hours-later"
    scan = run.start(process, *asked, "--source", run.source, "--scope", str(scope), later=clock)
    while not fleet.connections[run.source, fleet.addresses[-1]]:
        assert scan.is_alive(), run.said.read_text(encoding="utf-8")
        time.sleep(0.01)
    clock.touch()
    scan.join(60)
    said, spoken_to = run.said.read_text(encoding="utf-8"), fleet.of(run.source)
    assert scan.exitcode == 3 and "stopped early: the window of scope 'night'" in said.replace("\n", " "), (
        said
    )
    assert re.search(r"`hardenprobe scan --resume \S+` goes on", said), said
    partial = run.review
    assert partial["review"]["interrupted"] and partial["coverage"]["unfinished"]

    refused = run.start(process, "--resume", "latest", later=clock)
    refused.join(60)
    assert refused.exitcode == 2 and fleet.of(run.source) == spoken_to
    assert "it is closed now" in run.said.read_text(encoding="utf-8")

    clock.unlink()
    going_on = run.start(process, "--resume", "latest")
    undisturbed = new_run(2)
    beside = undisturbed.start(process, *asked, "--source", undisturbed.source, "--scope", str(scope))
    for one in (going_on, beside):
        one.join(60)
        assert one.exitcode == 1
    assert essence(run.review) == essence(undisturbed.review)


@pytest.mark.timeout(170)
def test_scan_killed_at_random_moments_goes_on_and_ends_the_same(
    fleet: Any, new_run: Any, process: Any, asked: list[str], essence: Any
) -> None:
    runs = [new_run(number) for number in range(SCANS + 1)]
    undisturbed = runs.pop()
    undisturbed.start(process, *asked, "--source", undisturbed.source).join(60)
    expected = essence(undisturbed.review)
    assert expected["results"] and expected["coverage"]["answered"] == len(fleet.addresses)
    connections = fleet.of(undisturbed.source)

    chance = random.Random()
    interrupted = 0
    for batch in (runs[:10], runs[10:]):
        started = {run: run.start(process, *asked, "--source", run.source) for run in batch}
        # A moment is a number of connections, so that moments are spread over a scan however busy the machine is.
        moments = {run: chance.randrange(connections) for run in started}
        while moments:
            time.sleep(0.005)
            for run, moment in list(moments.items()):
                if not started[run].is_alive() or fleet.of(run.source) > moment:
                    del moments[run]
                    with contextlib.suppress(ProcessLookupError):  # it was done already
                        os.kill(started[run].pid, signal.SIGKILL)
                    started[run].join(10)
        going_on = []
        for run in started:
            finished = _finished(run)
            before = {device: fleet.connections[run.source, device] for device in fleet.addresses}
            if finished is not None:
                interrupted += 1
                going_on.append((run, run.start(process, "--resume", "latest"), finished, before))
            elif not _stored(run):  # killed before it wrote anything down
                going_on.append((run, run.start(process, *asked, "--source", run.source), set(), before))
        for run, one, finished, before in going_on:
            one.join(60)
            assert one.exitcode == 1, run.said.read_text(encoding="utf-8")
            assert essence(run.review) == expected
            for device in finished:
                assert fleet.connections[run.source, device] == before[device], (
                    "a finished device was asked again"
                )
            with opening.opened(str(run.store)) as kept:
                assert not Journal(kept).unfinished()
                assert len(kept.reviews()) == 1
    assert interrupted > SCANS // 2


def _finished(run: Any) -> set[str] | None:
    """The devices that a killed scan has kept; None where it left nothing to go on with."""
    if not run.store.exists():
        return None
    with opening.opened(str(run.store)) as kept:
        journal = Journal(kept)
        if not journal.unfinished():
            return None
        return {visit.address for visit in journal.take_up("latest").visits}


def _kept(run: Any) -> int:
    """How many visits a scan that is running has kept."""
    if not run.store.exists():
        return 0
    db = sqlite3.connect(f"file:{run.store}?mode=ro", uri=True)
    try:
        return int(db.execute("SELECT count(*) FROM visits").fetchone()[0])
    except sqlite3.OperationalError:  # not made yet
        return 0
    finally:
        db.close()


def _stored(run: Any) -> bool:
    if not run.store.exists():
        return False
    with opening.opened(str(run.store)) as kept:
        return bool(kept.reviews())
