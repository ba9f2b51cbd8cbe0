"""A store that was made by version 0.1.0, of the format hardenprobe.store/3: it opens, loads,
verifies, and is gone on with once it is upgraded.

How to change this promise on purpose is said in conftest.py.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

import hardenprobe
from hardenprobe.store.opening import opened
from hardenprobe.testing import sample_review

Golden = Callable[[str, bytes], None]
Command = Callable[..., Any]
Canonical = Callable[[Any], bytes]
DATA = Path(__file__).with_name("data")
NEWEST_ENTRY = "b36a3f7823dc9af18bd20d4a5a21799f825ebfb0c12a77606e1187176c8e2c82"
"""Digest of the newest entry of the record of reviews, as `hardenprobe reviews` said it when the store was made."""


def reviews() -> list[hardenprobe.Review]:
    """What the store holds, in order: two scans to compare, one to take out, one of whatever devices may say, and for
    each way in which a command ends one that ends so when it is judged again."""
    whole = sample_review(3)
    coverage = replace(whole.coverage, listed_not_seen=(), unfinished=())
    met = sample_review(1)
    faults = replace(met, coverage=replace(coverage, planned=1, visited=1, answered=1, seen_not_listed=()))
    none = replace(faults, observations={device.id: () for device in faults.devices}, results=())
    ((device, seen),) = met.observations.items()
    telnet = tuple(one for one in seen if one.endpoint and one.endpoint.port == 23)
    faults = replace(none, observations={device: telnet})
    made = {
        "20260202-gone": sample_review(1),
        "20260302-plain": whole,
        "20260402-plain": sample_review(4),
        "20260403-hostile": sample_review(2, hostile=True),
        "20260501-clean": none,
        "20260501-finding": faults,
        "20260501-interrupted": replace(none, head=replace(none.head, interrupted=True)),
        "20260501-unfinished": replace(none, coverage=replace(none.coverage, unfinished=("127.0.9.7",))),
        "20260501-missed": replace(
            none, coverage=replace(none.coverage, listed_not_seen=whole.coverage.listed_not_seen)
        ),
        "20260501-nobody": replace(none, coverage=replace(none.coverage, answered=0)),
        "20260501-missed-and-finding": replace(
            faults, coverage=replace(none.coverage, listed_not_seen=whole.coverage.listed_not_seen)
        ),
    }
    return [
        replace(one, head=replace(one.head, id=id, started=f"{id[:4]}-{id[4:6]}-{id[6:8]}T21:00:00Z"))
        for id, one in made.items()
    ]


def make_store(file: Path, command: Command) -> None:
    """Keep the reviews, and decide and state something about them, as the stored store was made."""

    with opened(str(file)) as kept:
        for one in reviews():
            kept.save(one)
    device = sample_review(2).devices[1].asset_tag
    until = datetime.now(UTC).date() + timedelta(days=20)
    people = ("--requested-by", "Imke Sandvoort", "--approved-by", "Morag Kerr")
    for arguments in (
        ("store", "prune", "20260202-gone", "--by", "Morag Kerr", "--reason", "kept for too long", "--yes"),
        ("exception", "add", "--review", "20260302", "--device", device, "--check", "cleartext-telnet",
         "--reason", "the tide table script", "--compensating", "a filter", *people, "--until", until),
        ("exception", "end", "E-1", "--by", "Morag Kerr", "--reason", "the script was replaced"),
        ("statement", "add", "--control", "administrator-password-set", "--device", device, "--answer", "yes",
         "--by", "Imke Sandvoort", "--until", until, "--method", "examine"),
    ):  # fmt: skip
        ended = command(*arguments, "--store", file)
        assert ended.status == 0, ended.err


def rows(file: Path) -> list[tuple[str, str, str | None]]:
    """Id, digest and the digest before it, as the database has them."""
    with closing(sqlite3.connect(file)) as db:
        return db.execute("select id, digest, previous_digest from reviews order by number").fetchall()


def loaded(store: Path, name: str) -> hardenprobe.Review:
    return hardenprobe.load_review(name, store=str(store))


def as_written(store: Path, id: str) -> tuple[Any, bytes]:
    """A document as the store has it: fields that are newer are not in it."""
    with opened(str(store), make=False) as kept:
        written = b"".join(kept.document_bytes(id))
    return json.loads(written), written


def test_the_reviews_that_were_stored_are_those_that_are_read(golden: Golden, store: Path) -> None:
    told = {}
    for id, _, _ in rows(store):
        found = loaded(store, id)
        assert found.head.id == id
        told[id] = {
            "devices": [device.id for device in found.devices],
            "findings": [[one.finding, one.check, one.score, str(one.severity)] for one in found.findings],
            "observations": sorted(one.id for seen in found.observations.values() for one in seen),
        }
    golden("stored-reviews.json", json.dumps(told, indent=1).encode() + b"\n")


def test_each_digest_is_that_of_the_document_and_names_the_one_before(
    store: Path, canonical: Canonical
) -> None:
    before = None
    for id, digest, previous in rows(store):
        document, written = as_written(store, id)
        assert written == canonical(document)
        assert hashlib.sha256(written).hexdigest() == digest, id
        assert document["review"]["previous_digest"] == previous
        assert before in (None, previous)
        before = digest
    assert before is not None


def test_what_is_said_of_the_chain(golden: Golden, command: Command, store: Path) -> None:
    listed = command("reviews", "--json", "--noted", NEWEST_ENTRY, "--store", store)
    assert (listed.status, listed.err.split()[-1]) == (0, NEWEST_ENTRY)
    golden("reviews.json", listed.out.encode())


def test_one_that_was_changed_is_told(command: Command, store: Path) -> None:
    with closing(sqlite3.connect(store)) as db, db:
        db.execute(
            "update parts set results = replace(results, 'telnet', 'telmet') where review = '20260302-plain'"
        )
    listed = command("reviews", "--store", store)
    assert listed.status == 3
    assert "review 20260302-plain: changed" in listed.err


def test_what_was_decided_and_stated(golden: Golden, command: Command, store: Path) -> None:
    for kind in ("exception", "statement"):
        listed = command(kind, "list", "--history", "--json", "--store", store)
        assert (listed.status, listed.err) == (0, "")
        golden(f"{kind}s.json", listed.out.encode())


def test_the_document_that_is_written_from_a_store(command: Command, store: Path, tmp_path: Path) -> None:
    file = tmp_path / "review.json"
    assert command("report", "20260302", "--format", "json", "-o", file, "--store", store).status == 0
    document = json.loads(file.read_bytes())
    assert hardenprobe.from_document(document) == loaded(store, "20260302")


@pytest.mark.slow
def test_a_review_that_is_added_is_chained_to_the_newest(command: Command, store: Path) -> None:
    before = rows(store), {id: as_written(store, id) for id, *_ in rows(store)}
    judging = ("judge", "20260302", "--no-plugins", "--store", store)
    refused = command(*judging)
    assert refused.status == 2 and f"`hardenprobe store upgrade --store {store}`" in refused.err
    for said in ("upgraded from hardenprobe.store/3 to hardenprobe.store/4", "it is up to date"):
        upgraded = command("store", "upgrade", "--store", store)
        assert upgraded.status == 0 and upgraded.out.startswith(said)
    assert before == (rows(store), {id: as_written(store, id) for id, *_ in rows(store)})
    last = rows(store)[-1]
    assert command(*judging).status in (1, 3)
    id, digest, previous = rows(store)[-1]
    document, written = as_written(store, id)
    assert (document["review"]["previous"], previous) == last[:2]
    assert hashlib.sha256(written).hexdigest() == digest
    assert command("reviews", "--noted", NEWEST_ENTRY, "--store", store).status == 0


def test_a_store_that_is_made_now_has_the_same_reviews(command: Command, store: Path, tmp_path: Path) -> None:
    make_store(tmp_path / "new.db", command)
    assert [row[0] for row in rows(tmp_path / "new.db")] == [row[0] for row in rows(store)]
