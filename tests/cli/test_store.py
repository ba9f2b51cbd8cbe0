"""`hardenprobe store prune`, and what `reviews` says afterwards."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.model.visit import ScanRecord
from hardenprobe.store import opening
from hardenprobe.store.journal import Journal
from hardenprobe.testing import sample_review

Command = Callable[..., Any]
PRUNE = ("store", "prune", "--by", "K. Adler", "--reason", "kept for two years")


@pytest.fixture
def three(store: list[str]) -> Path:
    """Reviews of three months."""
    with opening.opened(store[1]) as kept:
        for month in (1, 2, 3):
            one = sample_review(2)
            head = replace(one.head, id=f"20260{month}01-a", started=f"2026-0{month}-01T08:00:00Z")
            kept.save(replace(one, head=head))
        Journal(kept)  # its tables are made when they are first looked at
    return Path(store[1])


def test_reviews_before_a_day_are_taken_out(command: Command, store: list[str], three: Path) -> None:
    ended = command(*PRUNE, "--before", "2026-02-15", "--yes", *store)
    assert (ended.status, ended.out) == (0, "took out 20260101-a\ntook out 20260201-a\n")
    listed = command("reviews", *store)
    assert listed.status == 0, "nothing is missed that was taken out on purpose"
    assert listed.out.count("by K. Adler: kept for two years") == 2
    assert [one["intact"] for one in json.loads(command("reviews", "--json", *store).out)] == [True] * 3
    assert command("report", "20260201", "-o", "-", *store).status == 2
    assert command("report", "latest", "--format", "json", "-o", "-", *store).status == 0
    with closing(sqlite3.connect(three)) as db:
        assert db.execute("select distinct review from parts").fetchall() == [("20260301-a",)]

    with opening.opened(store[1]) as kept:
        one = sample_review(2)
        made = kept.save(
            replace(one, head=replace(one.head, id="20260401-a", started="2026-04-01T08:00:00Z"))
        )
    assert made.head.previous == "20260301-a"
    assert command("reviews", *store).status == 0


def test_the_newest_can_be_taken_out_and_the_next_follows_it(
    command: Command, store: list[str], three: Path
) -> None:
    assert command(*PRUNE, "latest", "--yes", *store).out == "took out 20260301-a\n"
    with opening.opened(store[1]) as kept:
        one = sample_review(2)
        made = kept.save(
            replace(one, head=replace(one.head, id="20260401-a", started="2026-04-01T08:00:00Z"))
        )
    assert made.head.previous == "20260301-a", "the chain goes through what is gone"
    assert command("reviews", *store).status == 0
    assert command("compare", "20260201", "latest", *store).status in (0, 1)
    assert command("judge", "latest", *store).status in (0, 1, 3)


def test_a_review_that_is_gone_behind_our_back_is_missed(
    command: Command, store: list[str], three: Path
) -> None:
    noted = command("reviews", *store).err.split()[-1]
    with closing(sqlite3.connect(three)) as db, db:
        db.execute("delete from reviews where id = '20260301-a'")
        db.execute("delete from parts where review = '20260301-a'")
    ended = command("reviews", *store)
    assert ended.status == 3
    assert "20260301-a: missing, and not removed by `hardenprobe store prune`" in ended.err
    with closing(sqlite3.connect(three)) as db, db:
        db.execute("delete from record where review = '20260301-a'")
    assert command("reviews", *store).status == 0, "the database alone cannot show it"
    cut = command("reviews", "--noted", noted, *store)
    assert cut.status == 3 and "reviews were cut off since" in cut.err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "say which reviews"),
        (["--before", "soon"], "--before: 'soon' is no day"),
        (["2027", "--yes"], "there is no review '2027'"),
        (["latest"], "no terminal to confirm on; --yes"),
        (["latest", "--yes", "--by", " "], "--by: is empty"),
        (["latest", "--yes", "--reason", ""], "--reason: is empty"),
    ],
)
def test_bad_input_takes_nothing_out(
    command: Command, store: list[str], three: Path, words: list[str], says: str
) -> None:
    before = three.read_bytes()
    ended = command(*PRUNE, *words, *store)
    assert (ended.status, ended.out) == (2, "")
    assert says in ended.err
    assert three.read_bytes() == before


def test_nothing_that_old(command: Command, store: list[str], three: Path) -> None:
    ended = command(*PRUNE, "--before", "2020-01-01", *store)
    assert (ended.status, ended.out) == (0, "")
    assert "no review began before 2020-01-01" in ended.err


def test_a_scan_that_goes_on_keeps_its_review(command: Command, store: list[str], three: Path) -> None:
    with opening.opened(store[1]) as kept:
        begun = ScanRecord(id="20260201-a", started="2026-02-01T08:00:00Z", scope="s", seed=1, plan_hash="0", expected_hash="0", request={})  # fmt: skip
        Journal(kept).begin(begun)
    ended = command(*PRUNE, "20260201", "--yes", *store)
    assert ended.status == 2 and "`hardenprobe scan --resume 20260201-a` goes on" in ended.err
