"""`hardenprobe reviews`, `report` and `judge`, on reviews that were stored before."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.model import Review
from hardenprobe.reports import FORMATS
from hardenprobe.store import opening
from hardenprobe.testing import sample_review

Command = Callable[..., Any]
TELNET = b"\xff\xfb\x01login: "


@pytest.fixture
def kept(store: list[str]) -> list[Review]:
    """Two reviews of an invented fleet, the older first."""
    with opening.opened(store[1]) as db:
        return [
            db.save(replace(sample, head=replace(sample.head, id=name)))
            for sample, name in (
                (sample_review(2), "20260302-210000-aaaaaa"),
                (sample_review(3, hostile=True), "20260402-210000-bbbbbb"),
            )
        ]


# --- reviews


def test_empty_store(command: Command) -> None:
    ended = command("reviews")
    assert (ended.status, ended.out) == (0, "")
    assert "hardenprobe scan" in ended.err
    assert json.loads(command("reviews", "--json").out) == []


def test_a_store_whose_name_was_mistyped_is_not_made(command: Command, tmp_path: Path) -> None:
    for words in (
        ["reviews"],
        ["report", "latest", "-o", "-"],
        ["evidence", "pack", "latest", "-o", tmp_path / "b.zip"],
    ):
        ended = command(*words, "--store", tmp_path / "sotre.db")
        assert (ended.status, ended.out) == (2, "")
        assert "sotre.db does not exist" in ended.err
    assert not list(tmp_path.iterdir())


def test_list_is_newest_first(command: Command, store: list[str], kept: list[Review]) -> None:
    ended = command("reviews", *store)
    assert ended.status == 0
    assert [line.split()[0] for line in ended.out.splitlines()] == [r.head.id for r in reversed(kept)]
    listed = json.loads(command("reviews", "--json", *store).out)
    assert [one["id"] for one in listed] == [r.head.id for r in reversed(kept)]
    assert [one["findings"] for one in listed] == [len(r.findings) for r in reversed(kept)]
    assert all(one["intact"] for one in listed)


def test_list_tells_what_was_changed(command: Command, store: list[str], kept: list[Review]) -> None:
    with contextlib.closing(sqlite3.connect(store[1])) as db, db:
        db.execute(
            "update reviews set document = replace(document, 'network operations', 'nobody at all') where id = ?",
            (kept[0].head.id,),
        )
    lines = command("reviews", *store).out.splitlines()
    assert "changed" in lines[1] and kept[0].head.id in lines[1]


# --- report


@pytest.mark.parametrize(
    "kind",
    [*sorted(FORMATS.keys() - {"pdf"}), pytest.param("pdf", marks=[pytest.mark.slow, pytest.mark.peer])],
)
def test_every_format_to_a_file_and_to_standard_output(
    kept: list[Review], store: list[str], tmp_path: Path, kind: str, capfdbinary: Any, request: Any
) -> None:
    from hardenprobe import cli

    if kind == "pdf":
        request.getfixturevalue("pango")

    out = tmp_path / f"report.{kind}"
    assert cli.run(["report", "latest", "--format", kind, "-o", str(out), *store]) == 0
    captured = capfdbinary.readouterr()
    assert (captured.out, captured.err.decode()) == (b"", f"wrote {out}\n")
    assert cli.run(["report", kept[1].head.id, "--format", kind, "-o", "-", *store]) == 0
    captured = capfdbinary.readouterr()
    assert captured.out == out.read_bytes()
    assert captured.err == b""


def test_report_is_what_it_is_called(
    command: Command, store: list[str], kept: list[Review], tmp_path: Path
) -> None:
    for kind in ("html", "json", "csv"):
        assert command("report", "latest", "--format", kind, "-o", tmp_path / kind, *store).status == 0
    assert (tmp_path / "html").read_text(encoding="utf-8").lower().startswith("<!doctype html")
    assert json.loads((tmp_path / "json").read_text(encoding="utf-8"))["review"]["id"] == kept[1].head.id
    rows = list(csv.reader(io.StringIO((tmp_path / "csv").read_text(encoding="utf-8-sig"))))
    assert len({len(row) for row in rows}) == 1 and len(rows) > 1


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["latest", "--format", "htm", "-o", "-"], "did you mean html"),
        (["latest", "--format", "pdf9", "-o", "-"], "there is no report format 'pdf9'"),
        (["20260302-210000-aaaaab", "-o", "-"], "20260302-210000-aaaaaa"),
        (["zzz", "-o", "-"], "hardenprobe reviews"),
        (["2026", "-o", "-"], "2 reviews begin with '2026'"),
        (["", "-o", "-"], "2 reviews begin with ''"),
        (["latest", "-o", "missing/report.html"], "missing/report.html"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
@pytest.mark.usefixtures("kept")
def test_bad_input(
    command: Command,
    store: list[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    arguments: list[str],
    says: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = command("report", *arguments, *store)
    assert (ended.status, ended.out) == (2, "")
    assert says in ended.err


def test_beginning_of_an_id_is_enough(command: Command, store: list[str], kept: list[Review]) -> None:
    ended = command("report", "20260302", "--format", "json", "-o", "-", *store)
    assert json.loads(ended.out)["review"]["id"] == kept[0].head.id


def test_no_review_yet(command: Command) -> None:
    for words in (["report", "latest", "-o", "-"], ["judge", "latest"]):
        ended = command(*words)
        assert (ended.status, ended.out) == (2, "")
        assert "holds no review yet" in ended.err


# --- judge


@pytest.mark.slow
def test_judging_again_is_a_review_of_its_own(
    command: Command, device: Callable[[dict[int, bytes]], Any], store: list[str], tmp_path: Path
) -> None:
    there = device({23: TELNET, 22: b"SSH-2.0-thing\r\n"})
    first = json.loads(command("scan", *there.arguments, *store, "--json", "-").out)
    asked = dict(there.connections)
    ended = command("judge", "latest", "--baseline", there.baseline, "--json", "-", "--no-plugins", *store)
    assert ended.status == 1
    again = json.loads(ended.out)
    assert there.connections == asked  # no device was touched
    assert again["review"]["judged_from"] == first["review"]["id"]
    assert again["review"]["id"] != first["review"]["id"]
    assert again["review"]["previous"] == first["review"]["id"]
    assert again["results"] == first["results"]
    assert again["observations"] == first["observations"]
    original = json.loads(command("report", first["review"]["id"], "--format", "json", "-o", "-", *store).out)
    assert {key: value for key, value in original.items() if key != "dates"} == first


@pytest.mark.slow
def test_judging_by_another_baseline_changes_verdicts_and_not_observations(
    command: Command, device: Callable[[dict[int, bytes]], Any], store: list[str], tmp_path: Path
) -> None:
    # Port 24 refuses: a port beyond the allowed ones must have been looked at for a pass.
    options = ["--ports", "22,24", "--json", "-"]
    there = device({22: b"SSH-2.0-thing\r\n"})
    first = json.loads(command("scan", *there.arguments, *options, *store).out)
    mine = tmp_path / "mine.yaml"
    text = there.baseline.read_text(encoding="utf-8")
    mine.write_text(text.replace("allowed_tcp: [80,", "allowed_tcp: [22, 80,"), encoding="utf-8")
    again = json.loads(
        command("judge", "latest", "--baseline", mine, "--json", "-", "--no-plugins", *store).out
    )

    def word(document: dict[str, Any]) -> set[str]:
        return {r["result"] for r in document["results"] if r["check"] == "unexpected-service"}

    assert word(first) == {"fail"}
    assert word(again) == {"pass"}
    # Judging by another baseline does not become the latest in silence.
    scan, other = first["review"]["id"], again["review"]["id"]
    latest = command("report", "latest", "--format", "json", "-o", "-", *store)
    assert json.loads(latest.out)["review"]["id"] == scan
    assert f"notice: latest is {scan}; {other} judged it by other baselines" in latest.err
    same = command("judge", "latest", "--no-plugins", *store)
    assert f"notice: latest is {scan}" in same.err and ", judged by " in same.err
    assert command("report", "latest", "--format", "json", "-o", "-", *store).out != latest.out
    assert again["observations"] == first["observations"]


def test_judge_with_a_bad_baseline_stores_nothing(
    command: Command, store: list[str], kept: list[Review]
) -> None:
    assert command("judge", "latest", "--baseline", "ofice-device", *store).status == 2
    assert len(json.loads(command("reviews", "--json", *store).out)) == len(kept)
