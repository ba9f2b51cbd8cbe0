"""What a report reads, in memory and from the store."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.errors import StoreRefused
from hardenprobe.model import Review, Severity
from hardenprobe.reports import FORMATS
from hardenprobe.reports.source import EARLIER, of_review, of_store
from hardenprobe.store import opening
from hardenprobe.testing import sample_review

Written = Callable[[str, Any], bytes]


def scanned(day: int, devices: int = 3, **head: Any) -> Review:
    review = sample_review(devices)
    started = f"2026-02-{day:02d}T21:00:00Z"
    return replace(review, head=replace(review.head, id=f"r{day:02d}", started=started, **head))


@pytest.mark.parametrize("kind", sorted(FORMATS.keys() - {"pdf"}))
def test_store_and_memory_give_the_same_report(written: Written, tmp_path: Path, kind: str) -> None:
    with opening.opened(str(tmp_path / "store.db")) as kept:
        kept.save(sample_review(5))
        stored = of_store(kept, "latest")
        assert stored.digest
        held = replace(of_review(kept.load("latest")), digest=stored.digest)
        assert written(kind, stored) == written(kind, held)


def test_devices_can_be_read_as_often_as_a_format_needs() -> None:
    review = sample_review(5)
    source = of_review(review)
    for _ in range(2):
        assert tuple(piece.device for piece in source.pieces()) == review.devices
        assert tuple(r for piece in source.pieces() for r in piece.results) == review.results
    assert source.outline.devices == ()


def test_earlier_reviews_are_counted_oldest_first(tmp_path: Path) -> None:
    with opening.opened(str(tmp_path / "store.db")) as kept:
        for day, devices in ((1, 2), (2, 4), (3, 3)):
            kept.save(scanned(day, devices))
        past = of_store(kept, "r03").trend()
    assert [(one.review, one.devices) for one in past] == [("r01", 2), ("r02", 4), ("r03", 3)]
    second = sample_review(4).findings
    high = sum(r.stands and r.severity is Severity.HIGH for r in second)
    assert past[1].standing[Severity.HIGH] == high
    assert past[1].accepted == sum(r.exception is not None for r in second)
    assert (
        past[2].standing == past[1].standing
    )  # the fourth device was not met, and its findings are still open


def test_narrow_reviews_are_no_point_of_a_trend_and_have_none(tmp_path: Path) -> None:
    with opening.opened(str(tmp_path / "store.db")) as kept:
        kept.save(scanned(1))
        kept.save(scanned(2, narrowed=("only",)))
        kept.save(scanned(3, rechecks="r01"))
        kept.save(scanned(4))
        assert [one.review for one in of_store(kept, "r04").trend()] == ["r01", "r04"]
        assert of_store(kept, "r02").trend() == of_store(kept, "r03").trend() == ()


def test_a_judgement_of_old_observations_is_no_point_in_time(tmp_path: Path) -> None:
    with opening.opened(str(tmp_path / "store.db")) as kept:
        kept.save(scanned(1))
        kept.save(scanned(2, judged_from="r01"))
        kept.save(scanned(3))
        assert [one.review for one in of_store(kept, "r03").trend()] == ["r01", "r03"]


def test_another_scope_is_another_history(tmp_path: Path) -> None:
    with opening.opened(str(tmp_path / "store.db")) as kept:
        kept.save(scanned(1, scope="elsewhere"))
        kept.save(scanned(2))
        assert of_store(kept, "r02").trend() == ()


def test_as_many_as_a_picture_takes(tmp_path: Path) -> None:
    with opening.opened(str(tmp_path / "store.db")) as kept:
        for day in range(1, EARLIER + 4):
            kept.save(scanned(day, 1))
        past = of_store(kept, f"r{EARLIER + 3:02d}").trend()
    assert [one.review for one in past] == [f"r{day:02d}" for day in range(3, EARLIER + 4)]


def test_a_device_that_cannot_be_read_is_refused_and_not_left_out(written: Written, tmp_path: Path) -> None:
    file = tmp_path / "store.db"
    with opening.opened(str(file)) as kept:
        kept.save(sample_review(2))
    with contextlib.closing(sqlite3.connect(file)) as db, db:
        tables = [row[0] for row in db.execute("select name from sqlite_master where type = 'table'")]
        (table,) = [
            t
            for t in tables
            if {"record", "results"} <= {c[1] for c in db.execute(f"pragma table_info({t})")}
        ]
        db.execute(f"update {table} set results = '[{{}}]'")
    with opening.opened(str(file)) as kept, pytest.raises(StoreRefused):
        written("csv", of_store(kept, "latest"))
