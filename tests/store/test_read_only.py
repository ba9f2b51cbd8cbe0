"""A store that can only be read is read, and reading changes no byte of one that can be written."""

from __future__ import annotations

from pathlib import Path

import pytest

from hardenprobe.errors import StoreRefused
from hardenprobe.evidence import pack, source
from hardenprobe.evidence.source import Wanted
from hardenprobe.model.visit import ScanRecord
from hardenprobe.store.journal import Journal
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.opening import opened
from hardenprobe.store.persistence import Keeper
from hardenprobe.testing import sample_review


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A store of one review, in which no scan was ever kept as it went."""
    path = tmp_path / "store.db"
    with opened(str(path)) as kept:
        kept.save(sample_review(2))
    return path


def read_all(url: str, out: Path) -> None:
    with opened(url, make=False) as kept:
        (stored,) = kept.reviews()
        assert stored.intact and Journal(kept).unfinished() == []
        assert kept.load("latest").devices and kept.links()
        Ledger(kept).decisions()
        pack.pack(source.of(kept, kept.find("latest")), Wanted(self_test={"absent": "a test"}), out)


@pytest.mark.slow
def test_reading_changes_no_byte(file: Path, tmp_path: Path) -> None:
    before = file.read_bytes()
    read_all(str(file), tmp_path / "bag.zip")
    assert file.read_bytes() == before


@pytest.mark.slow
def test_a_store_that_is_read_only_is_read_and_refuses_what_writes(file: Path, tmp_path: Path) -> None:
    """By SQLite's own mode=ro (https://www.sqlite.org/uri.html), which binds whoever runs this too."""
    url = f"sqlite:///file:{file}?mode=ro&uri=true"
    read_all(url, tmp_path / "bag.zip")
    with opened(url) as kept:
        begun = ScanRecord(
            id="x",
            started="2026-03-02T21:00:00Z",
            scope="s",
            seed=1,
            plan_hash="",
            expected_hash="",
            request={},
        )
        for write in (lambda: kept.save(sample_review(1)), lambda: Keeper(kept, begun).__enter__()):
            with pytest.raises(StoreRefused, match="it is read-only"):
                write()


def test_the_list_of_reviews_changes_no_byte(file: Path, tmp_path: Path) -> None:
    from hardenprobe import cli

    before = file.read_bytes()
    for words in (["reviews"], ["report", "latest", "--format", "json", "-o", str(tmp_path / "r.json")]):
        assert cli.run([*words, "--store", str(file)]) in (0, 1, 3)
        assert file.read_bytes() == before
