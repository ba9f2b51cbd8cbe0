"""`hardenprobe compare`, on stored reviews and on a lab that was changed between two scans."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from hardenprobe.model import Review
from hardenprobe.reports import comparison_json
from hardenprobe.store import opening
from hardenprobe.testing import HOSTILE, sample_review

Command = Callable[..., Any]
TELNET = b"\xff\xfb\x01login: "


def later(one: Review, id: str, started: str) -> Review:
    return replace(one, head=replace(one.head, id=id, started=started))


@pytest.fixture
def two(store: list[str]) -> None:
    """A review, and one a month later in which the last device is new."""
    with opening.opened(store[1]) as kept:
        kept.save(later(sample_review(3, hostile=True), "20260302-a", "2026-03-02T21:00:00Z"))
        kept.save(later(sample_review(4, hostile=True), "20260402-b", "2026-04-02T21:00:00Z"))


def test_the_screen(command: Command, store: list[str], two: None) -> None:
    ended = command("compare", "20260302", "latest", *store)
    assert ended.status == 1, ended.err
    for said in ("Before: 20260302-a", "Now:    20260402-b", "3 devices reached in both, 0 only before, 1 only now, 0 in neither",
                 "new", "unchanged", "not reached", "Reached now and not before", "Overdue", "31 days", "due 2026-04-01",
                 "Scan only networks that you are authorised to scan"):  # fmt: skip
        assert said in " ".join(ended.out.split()) or said in ended.out, said
    assert not any(text in ended.out for text in HOSTILE if not text.isprintable())
    assert "\x1b" not in ended.out


def test_without_arguments_the_two_newest_that_were_made_alike(
    command: Command, store: list[str], two: None
) -> None:
    ended = command("compare", *store)
    assert ended.status == 1, ended.err
    assert "Before: 20260302-a" in ended.out and "Now:    20260402-b" in ended.out
    assert "Open findings by owner and due date" in ended.out
    assert command("compare", "20260302", *store).status == 2


def test_the_document_keeps_to_its_schema(
    command: Command, store: list[str], two: None, tmp_path: Path
) -> None:
    shipped = json.loads(comparison_json.SCHEMA_FILE.read_text(encoding="utf-8"))
    assert shipped == comparison_json.schema(), (
        "bring it up to date: hardenprobe.reports.comparison_json.write_schema()"
    )
    file = tmp_path / "c.json"
    assert command("compare", "20260302", "latest", *store, "--json", file).status == 1
    found = json.loads(file.read_text(encoding="ascii"))
    jsonschema.Draft202012Validator(shipped).validate(found)
    assert json.loads(command("compare", "20260302", "latest", *store, "--json", "-").out) == found
    assert found["totals"]["devices"] == {"both": 3, "before": 0, "now": 1, "neither": 0}
    kinds = [change["kind"] for one in found["devices"] for change in one["changes"]]
    assert {kind: kinds.count(kind) for kind in set(kinds)} == {
        k: n for k, n in found["totals"]["kinds"].items() if n
    }


def test_status(command: Command, store: list[str]) -> None:
    one = sample_review(2)
    nothing = replace(one, results=(), devices=(), observations={})
    with opening.opened(store[1]) as kept:
        kept.save(later(one, "20260301-a", "2026-03-01T21:00:00Z"))
        kept.save(later(one, "20260302-b", "2026-03-02T21:00:00Z"))
        kept.save(later(nothing, "20260303-c", "2026-03-03T21:00:00Z"))
    assert command("compare", "20260301", "20260302", *store).status == 0
    gone = command("compare", "20260302", "20260303", *store)
    assert gone.status == 3 and "\nFixed\n" not in gone.out
    assert "no device that shows itself to be this one was met" in " ".join(gone.out.split())


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["20260302", "20260302"], "are the same review"),
        (["20260302", "2027"], "there is no review '2027'"),
        (["20260302", "latest", "--device", "nobody"], "neither review holds a device called nobody"),
        (["20260302", "latest", "--baseline", "ofice-device"], "office-device"),
        (["20260302", "latest", "--json", "/nowhere/c.json"], "--json /nowhere/c.json: "),
    ],
)
def test_bad_input(command: Command, store: list[str], two: None, words: list[str], says: str) -> None:
    before = Path(store[1]).read_bytes()
    ended = command("compare", *words, *store)
    assert (ended.status, ended.out) == (2, "") or "--device" in words
    assert ended.status == 2 and says in ended.err
    assert Path(store[1]).read_bytes() == before


def test_a_store_that_was_changed(command: Command, store: list[str], two: None) -> None:
    with closing(sqlite3.connect(store[1])) as db, db:
        db.execute("update parts set results = ? where review = '20260402-b'", ['[{"finding": 5}]'])
    ended = command("compare", "20260302", "latest", *store)
    assert ended.status == 2 and "was changed from outside" in ended.err


@pytest.mark.slow
def test_two_scans_of_a_device_that_was_changed_between(
    command: Command, device: Callable[[dict[int, bytes]], Any], store: list[str]
) -> None:
    there = device({23: TELNET, 22: b"SSH-2.0-thing\r\n"})
    assert command("scan", *there.arguments, *store).status == 1
    there.greetings[23] = b"SSH-2.0-thing\r\n"  # a port that is not recognised proves nothing
    command("scan", *there.arguments, *store)
    there.greetings[23] = TELNET
    command("scan", *there.arguments, *store)
    ids = [one["id"] for one in json.loads(command("reviews", "--json", *store).out)][::-1]

    def told(old: str, new: str) -> Any:
        found = json.loads(command("compare", old, new, *store, "--json", "-").out)
        (one,) = [c for d in found["devices"] for c in d["changes"] if c["check"] == "cleartext-telnet"]
        return one

    mended = told(ids[0], ids[1])
    assert (mended["kind"], [c["why"] for c in mended["causes"]]) == ("fixed", ["device changed"])
    back = told(ids[1], ids[2])
    assert (back["kind"], [c["why"] for c in back["causes"]]) == ("came back", ["device changed"])
    assert told(ids[0], ids[2])["kind"] == "came back"
