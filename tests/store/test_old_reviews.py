"""Reviews that an earlier version stored: they open, their digests hold, and their evidence is packed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.evidence import pack, source
from hardenprobe.evidence.source import Wanted
from hardenprobe.evidence.verify import verify
from hardenprobe.model.document import canonical, from_document
from hardenprobe.model.rows import split
from hardenprobe.model.transcript import digest
from hardenprobe.store import opening
from hardenprobe.store import store as stores
from hardenprobe.store.device_rows import head_of

BEFORE_SOCKETS = Path(__file__).parent / "stored" / "review-before-sockets.json"
DIGEST = "9e8439d88dfc86e391173e10cc70034b7e55bd890c53fa2f172d731878c9f9bf"  # as the version that wrote it computed it


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[tuple[stores.Store, str]]:
    """A store that holds the very rows of an old review, and its id."""
    document = json.loads(BEFORE_SOCKETS.read_bytes())
    review = document["review"]["id"]
    with opening.opened(str(tmp_path / "store.db")) as db:
        parts = split(document)
        db.save_parts(review, parts, lambda: head_of(document))
        yield db, review


def test_the_stored_sample_is_what_was_written() -> None:
    assert hashlib.sha256(BEFORE_SOCKETS.read_bytes()).hexdigest() == DIGEST
    document = json.loads(BEFORE_SOCKETS.read_bytes())
    assert canonical(document) == BEFORE_SOCKETS.read_bytes()
    assert not any("sockets" in entry for entry in document["observations"])


def test_ids_of_old_observations_hold() -> None:
    entries: list[dict[str, Any]] = json.loads(BEFORE_SOCKETS.read_bytes())["observations"]
    keys = ("kind", "facts", "endpoint", "vantage", "asked_at", "transcript")

    assert [digest(*(entry[key] for key in keys)) for entry in entries] == [entry["id"] for entry in entries]


def test_an_old_review_opens_and_its_digest_holds(kept: tuple[stores.Store, str]) -> None:
    db, review = kept
    (stored,) = db.reviews()
    read = db.load(review)

    assert (stored.id, stored.intact) == (review, True)
    assert db.digest(review) == DIGEST
    assert read == from_document(json.loads(BEFORE_SOCKETS.read_bytes()))
    assert all(o.sockets == () for seen in read.observations.values() for o in seen)


@pytest.mark.slow
def test_an_old_review_is_packed_and_verified(kept: tuple[stores.Store, str], tmp_path: Path) -> None:
    db, review = kept
    bag = tmp_path / "bag.zip"
    pack.pack(source.of(db, review), Wanted(self_test={"absent": "a test"}), bag)
    found = verify(bag)

    assert not found.faults
    assert found.about["Review-Digest"] == DIGEST
