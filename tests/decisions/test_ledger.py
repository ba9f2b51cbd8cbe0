"""The ledger: what is added stays, and what was changed from outside shows."""

from __future__ import annotations

import hashlib
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from hardenprobe.decisions.entry import Draft
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.opening import opened
from hardenprobe.store.store import Store
from hardenprobe.testing import sample_review


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "store.db"


@pytest.fixture
def kept(file: Path) -> Iterator[Store]:
    with opened(str(file)) as found:
        yield found


def note(text: str, subject: str = "N-", file: bytes | None = None) -> Draft:
    name = {"file_sha256": hashlib.sha256(file).hexdigest()} if file is not None else {}
    return Draft(kind="note", subject=subject, body={"text": text, **name}, file=file)


def test_entries_come_back_numbered_named_and_chained(kept: Store) -> None:
    ledger = Ledger(kept)
    first = ledger.add([note("a"), note("b")])
    (third,) = ledger.add([Draft(kind="note-end", subject="N-1", body={"by": "Morag Kerr"})])
    (fourth,) = ledger.add([note("c")])

    found = ledger.entries()
    assert found == (*first, third, fourth)
    assert [e.number for e in found] == [1, 2, 3, 4]
    assert [e.subject for e in found] == ["N-1", "N-2", "N-1", "N-3"]
    assert [e.previous_digest for e in found] == [None, *(e.digest for e in found[:3])]
    assert ledger.fault() is None


def test_all_are_added_or_none(kept: Store) -> None:
    ledger = Ledger(kept)
    broken = Draft(kind="note", subject="N-", body={"score": float("nan")})
    with pytest.raises(ValueError):
        ledger.add([note("a"), broken])
    assert ledger.entries() == ()


def test_a_file_comes_back_by_its_digest(kept: Store, file: Path) -> None:
    ledger = Ledger(kept)
    name = hashlib.sha256(b"scan of a form").hexdigest()
    ledger.add([note("a", file=b"scan of a form"), note("b", file=b"scan of a form")])
    assert ledger.file(name) == b"scan of a form"
    with pytest.raises(UsageError, match="holds no file"):
        ledger.file("0" * 64)
    assert ledger.fault(files=True) is None
    edit(file, "update ledger_files set data = 'scam of a form'")
    with pytest.raises(StoreRefused, match="changed from outside"):
        ledger.file(name)
    assert f"the file {name}" in str(ledger.fault(files=True))
    edit(file, "delete from ledger_files")
    assert "holds no file" in str(ledger.fault())


def edit(file: Path, statement: str) -> None:
    with closing(sqlite3.connect(file)) as db, db:
        assert db.execute(statement).rowcount, "the edit changed something"


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("update ledger set body = replace(body, 'b', 'x') where number = 2", "at entry 2"),
        ("update ledger set at = '2020-01-01T00:00:00.000Z' where number = 1", "at entry 1"),
        ("update ledger set operator = 'nobody' where number = 3", "at entry 3"),
        ("update ledger set body = 'no JSON' where number = 2", "entry 2 of the ledger was changed"),
        ("delete from ledger where number = 1", "at entry 1"),
        ("delete from ledger where number = 2", "at entry 2"),
        ("delete from ledger where number = 3", "an entry that review r1 was judged with is gone"),
        ("delete from ledger", "an entry that review r1 was judged with is gone"),
    ],
)
def test_what_is_changed_from_outside_is_seen_and_nothing_is_applied(
    kept: Store, file: Path, statement: str, says: str
) -> None:
    ledger = Ledger(kept)
    ledger.add([note("a"), note("b"), note("c")])
    mark = Ledger(kept).decisions().mark
    sample = sample_review(1)
    kept.save(replace(sample, head=replace(sample.head, id="r1", ledger=mark)))
    assert ledger.fault() is None

    edit(file, statement)
    assert says in str(ledger.fault())
    with pytest.raises(StoreRefused, match="nothing is added"):
        ledger.add([note("d")])
    found = Ledger(kept).decisions()
    assert (found.exceptions, found.mark) == ((), None)
    assert says in found.notices[0] and "none of its exceptions" in found.notices[0]


def test_an_untouched_store_of_an_older_version_has_an_empty_ledger(kept: Store) -> None:
    kept.save(sample_review(1))
    found = Ledger(kept).decisions()
    assert found == Decisions(day=found.day, used={})


ADD = """\
import sys
from hardenprobe.decisions.entry import Draft
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.opening import opened
with opened(sys.argv[1]) as kept:
    ledger = Ledger(kept)
    sys.stdin.readline()
    for n in range(int(sys.argv[3])):
        ledger.add([Draft(kind="note", subject="N-", body={"from": sys.argv[2], "n": n})] * 2)
"""


@pytest.mark.slow
def test_two_processes_that_add_at_once_share_one_chain(kept: Store, file: Path) -> None:
    """Two at a time, twice each: nothing is lost, no number is given twice, and pairs stay together."""
    rounds = 10
    both = [
        subprocess.Popen(
            [sys.executable, "-c", ADD, str(file), name, str(rounds)], stdin=subprocess.PIPE, text=True
        )
        for name in ("a", "b")
    ]
    for process in both:
        assert process.stdin
        process.stdin.write("go\n")
        process.stdin.flush()
    assert [process.wait(60) for process in both] == [0, 0]
    for process in both:
        assert process.stdin
        process.stdin.close()

    ledger = Ledger(kept)
    found = ledger.entries()
    assert ledger.fault() is None
    assert [e.number for e in found] == list(range(1, 4 * rounds + 1))
    assert [e.subject for e in found] == [f"N-{n}" for n in range(1, 4 * rounds + 1)]
    pairs = [(e.body["from"], e.body["n"]) for e in found]
    assert pairs[::2] == pairs[1::2]
    assert sorted(pairs[::2]) == [(name, n) for name in "ab" for n in range(rounds)]
