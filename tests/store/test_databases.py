"""A store on SQLite and on a PostgreSQL server: the same promises, with the same words where they are not kept.

Checked against the database's own programs: its shell changes rows, its roles forbid writing, its dump is read back
(PostgreSQL 15 documentation, chapters 22 and 26; SQLite documentation, VACUUM INTO).
"""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from support import postgres

from hardenprobe import cli
from hardenprobe.baseline import baseline
from hardenprobe.decisions.entry import Draft
from hardenprobe.errors import StoreRefused
from hardenprobe.facts import TcpPort
from hardenprobe.model import Cost, Endpoint, InputFile, Review, State
from hardenprobe.model.document import to_document
from hardenprobe.model.transcript import observation
from hardenprobe.model.visit import BLOCK, ScanRecord, Visit
from hardenprobe.plugins import registry
from hardenprobe.store import input_files, requests, review_log, spool
from hardenprobe.store.copying import copy
from hardenprobe.store.journal import Journal
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.opening import opened
from hardenprobe.store.persistence import Keeper
from hardenprobe.store.rejudge import rejudge
from hardenprobe.store.schema import parts
from hardenprobe.store.upgrade import run_steps, upgrade
from hardenprobe.testing import sample_review

pytestmark = pytest.mark.slow
BEGUN = ScanRecord(
    id="20260101-000000-abcdef", started="2026-01-01T00:00:00Z", scope="third floor", seed=7, plan_hash="0" * 64,
    expected_hash="1" * 64, request={"targets": []},
)  # fmt: skip


def review(name: str, devices: int = 2) -> Review:
    made = sample_review(devices)
    return replace(made, head=replace(made.head, id=name))


def visit(number: int) -> Visit:
    facts = TcpPort(state=State.ACCEPTING, greeting="hello \x00 \u20ac", tries=1)
    where = Endpoint(address=f"127.1.2.{number}", transport="tcp", port=23)
    seen = observation(facts, where, "here", "2026-01-01T00:00:00Z")
    return Visit(address=where.address, vantage="here", outcome="answered", observations=(seen,))


def filled(url: str) -> None:
    """Reviews, one of them taken out, a decision with its file, and a scan in progress."""
    with opened(url) as kept:
        for name in ("a", "b", "c"):
            kept.save(review(name))
        kept.take_out(["b"], "Morag Kerr", "kept for too long")
        Ledger(kept).add([Draft(kind="note", subject="N-", body={"note": "x"}, file=b"\0approved")])
        Journal(kept).begin(BEGUN)


def test_what_goes_in_comes_out(url: str) -> None:
    """Reviews, hostile text among them, a journal, a ledger, files and requests."""
    kept_file = InputFile.of("scope", "scope.yaml", b"\x00\xff")
    with opened(url) as kept:
        saved = kept.save(sample_review(2, hostile=True))
        journal = Journal(kept)
        journal.begin(BEGUN)
        journal.keep(BEGUN.id, [visit(1), visit(2)], {("here", 0): bytes(BLOCK)}, Cost(connections=3))
        journal.keep(BEGUN.id, [visit(2)], {("here", 0): b"s" * BLOCK})
        input_files.keep(kept, [kept_file])
        (entry,) = Ledger(kept).add([Draft(kind="note", subject="N-", body={"note": "\u20ac"}, file=b"\0")])
        with kept.writing() as db:
            requests.keep(db, saved.head.id, {"targets": ["127.0.0.1"]})
    with opened(url, make=False) as kept:
        assert to_document(kept.load("latest")) == to_document(saved)
        taken = Journal(kept).take_up("latest")
        assert sorted(taken.visits, key=lambda one: one.address) == [visit(1), visit(2)]
        assert taken.quiet.blocks == {("here", 0): bytearray(b"s" * BLOCK)} and taken.sweep.connections == 3
        assert input_files.read(kept, kept_file.used) == kept_file.data
        assert Ledger(kept).entries() == (entry,) and Ledger(kept).fault(files=True) is None
        assert requests.read(kept, saved.head.id) == {"targets": ["127.0.0.1"]}


def test_the_chain_shows_a_change_and_keeps_what_was_taken_out(url: str) -> None:
    filled(url)
    with opened(url) as kept:
        assert [(one.id, one.intact, bool(one.gone)) for one in kept.reviews()] == [
            ("c", True, False), ("b", True, True), ("a", True, False),
        ]  # fmt: skip
        kept.save(review("d"))
        with kept.engine.begin() as db:
            db.execute(parts.update().where(parts.c.review == "a").values(results="[]"))
        assert [one.id for one in kept.reviews() if not one.intact] == ["a"]
        assert kept.find("latest") == "d" and kept.load("d").head.previous == "c"


def test_judged_again_by_processes_of_their_own(url: str) -> None:
    checks = registry.load(plugins=False)
    with opened(url) as kept:
        kept.save(review("a", devices=100))
        again = rejudge(kept, "a", lambda _: baseline.load("office-device", checks), checks, workers=2)
        assert len(again.review.devices) == 100 and all(one.intact for one in kept.reviews())


def test_many_writers_make_one_chain(url: str) -> None:
    """Each process of several would hold its own connections, as these do."""
    with opened(url) as first:
        first.save(review("first"))

    def write(number: int) -> None:
        with opened(url) as kept:
            for step in range(3):
                kept.save(review(f"r-{number}-{step}"))
                Ledger(kept).add([Draft(kind="note", subject="N-", body={"n": number})])

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(write, range(4)))
    with opened(url) as kept:
        found = kept.reviews()
        assert len(found) == 13 and all(one.intact for one in found)
        assert review_log.fault(kept.links()) is None and Ledger(kept).fault() is None
        assert len({kept.outline(one.id).head.previous for one in found}) == 13


def test_a_copy_keeps_chain_and_decisions(url: str, new_url: Callable[[], str], tmp_path: Path) -> None:
    filled(url)
    there, back = new_url(), str(tmp_path / "back.db")
    for source, target in ((url, there), (there, back)):
        with opened(source) as old, opened(target) as new:
            copied = copy(old, new)
            assert (copied.reviews, copied.faults) == (2, ())
            assert copied.unfinished == ((BEGUN.id,) if source == url else ())
            assert new.links() == old.links() and Ledger(new).entries() == Ledger(old).entries()
            assert Ledger(new).fault(files=True) is None
            for name in ("a", "c"):
                assert b"".join(new.document_bytes(name)) == b"".join(old.document_bytes(name))
            with pytest.raises(StoreRefused, match="is not empty"):
                copy(old, new)
    with opened(there) as kept:
        assert kept.save(review("d")).head.previous == "c"
        assert all(one.intact for one in kept.reviews())


def test_an_older_store_is_read_and_says_how_it_is_written(url: str) -> None:
    """A store of format 3 is made by the step to it, and filled as that version did: with texts."""
    with opened(url) as kept:
        saved = kept.save(review("a"))
        Journal(kept).begin(BEGUN)
        with kept.engine.begin() as db:
            rows = {
                name: list(db.execute(sa.select(table)).mappings())
                for name, table in parts.metadata.tables.items()
            }
            parts.metadata.drop_all(db)
            run_steps(db, None, "3")
            for name, found in rows.items():
                for row in found:
                    given = {key: value for key, value in row.items() if (name, key) != ("reviews", "number")}
                    db.execute(sa.table(name, *map(sa.column, given)).insert().values(**given))
            db.execute(sa.text("insert into hardenprobe_store values ('hardenprobe.store/3')"))
            db.execute(sa.text("delete from hardenprobe_store where format <> 'hardenprobe.store/3'"))
    with opened(url) as kept:
        assert kept.load("a") == saved and kept.reviews()[0].intact
        for write in (lambda: kept.save(review("b")), lambda: Journal(kept).begin(BEGUN)):
            with pytest.raises(StoreRefused, match="can only be read; .*`hardenprobe store upgrade --store "):
                write()
    assert upgrade(url) == "hardenprobe.store/3"
    with opened(url) as kept:
        assert kept.load("a") == saved and Journal(kept).unfinished()[0].id == BEGUN.id
        kept.save(review("b"))
        assert [one.intact for one in kept.reviews()] == [True, True]


# ------------------------------------------------------------------------------------------------------ PostgreSQL alone


def test_a_role_that_may_only_read(server: postgres.Server, database: str, tmp_path: Path) -> None:
    filled(server.url(database))
    server.sql("create role auditor login")
    server.sql("grant select on all tables in schema public to auditor", database)
    url = server.url(database, "auditor")
    report = ["report", "latest", "--format", "json", "-o", str(tmp_path / "r.json")]
    for words in (
        ["reviews"],
        report,
        ["exception", "list"],
        ["compare", "a", "c"],
        ["device", "history", "nobody"],
    ):
        assert cli.run([*words, "--store", url]) in (0, 1, 2 if words[0] == "device" else 0)
    assert (tmp_path / "r.json").stat().st_size
    with opened(url, make=False) as kept:
        for write in (lambda: kept.save(review("x")), lambda: Journal(kept).begin(BEGUN)):
            with pytest.raises(StoreRefused, match="this account may only read it"):
                write()


def test_an_empty_database_is_no_store_to_read(server: postgres.Server, database: str) -> None:
    with pytest.raises(StoreRefused, match="holds no store"), opened(server.url(database), make=False):
        pass
    server.sql("create table recipes (name text)", database)
    with pytest.raises(StoreRefused, match="belongs to another program"), opened(server.url(database)):
        pass


def test_a_server_that_goes_away_costs_nothing_that_was_seen(
    server: postgres.Server, database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setattr("hardenprobe.store.spool.this_process", lambda: "elsewhere 1")
    url = server.url(database)

    async def scan(kept: Any) -> None:
        with Keeper(kept, BEGUN) as keeper:
            await keeper.keep([keeper.visits.add(visit(1)).whole()], {}, Cost())
            server.stop()
            await keeper.keep([keeper.visits.add(visit(2)).whole()], {}, Cost())
            assert "the server cannot be reached" in str(keeper.failed)

    with opened(url) as kept:
        asyncio.run(scan(kept))
    try:
        with pytest.raises(StoreRefused, match="the server cannot be reached"), opened(url):
            pass
    finally:
        server.start()
    other = f"{database}other"
    server.sql(f"create database {other}")
    with opened(server.url(other)) as kept:
        assert kept.notices == (), "another store's spool"
    with opened(url) as kept:
        assert "1 visits came in" in kept.notices[0]
        assert len(Journal(kept).take_up("latest").visits) == 2
    assert not list(tmp_path.rglob(f"*{spool.SUFFIX}"))


def test_a_backup_is_brought_back(server: postgres.Server, database: str, tmp_path: Path) -> None:
    """As the handbook says, for both databases."""
    url, dump = server.url(database), server.folder / f"{database}.dump"
    filled(url)
    server.run("pg_dump", "--format=custom", f"--file={dump}", database)
    server.run("createdb", f"{database}back")
    server.run("pg_restore", "--no-owner", f"--dbname={database}back", str(dump))
    file = tmp_path / "store.db"
    filled(str(file))
    with closing(sqlite3.connect(file)) as db:
        db.execute(f"vacuum into '{tmp_path / 'back.db'}'")
    for was, now in ((url, server.url(f"{database}back")), (str(file), str(tmp_path / "back.db"))):
        with opened(was) as old, opened(now, make=False) as new:
            assert new.links() == old.links() and all(one.intact for one in new.reviews())
            assert review_log.fault(new.links(), old.links()[-1].digest) is None
            new.save(review("later"))
