"""`hardenprobe evidence`: pack, verify, show, stamp and unpack, on reviews that were stored before."""

from __future__ import annotations

import contextlib
import hashlib
import json
import shlex
import shutil
import sqlite3
import subprocess
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from hardenprobe.baseline import selection
from hardenprobe.baseline.files import files_of
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.evidence import self_test
from hardenprobe.judging.review import judged
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import Review
from hardenprobe.plugins import registry
from hardenprobe.store import input_files, opening
from hardenprobe.testing import sample_review

Command = Callable[..., Any]
FIRST, SECOND = "20260302-210000-aaaaaa", "20260402-210000-bbbbbb"


@pytest.fixture
def kept(store: list[str]) -> list[Review]:
    """Two reviews of an invented fleet, the older first."""
    with opening.opened(store[1]) as db:
        return [
            db.save(replace(one, head=replace(one.head, id=name)))
            for one, name in ((sample_review(2), FIRST), (sample_review(3, hostile=True), SECOND))
        ]


@pytest.fixture
def pair(tmp_path: Path) -> list[Any]:
    """A key and a certificate, as openssl makes them."""
    key, certificate = tmp_path / "reviewer.key", tmp_path / "reviewer.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", key, "-out", certificate]
        + ["-days", "30", "-subj", "/CN=Example reviewer"],
        check=True, capture_output=True,
    )  # fmt: skip
    return ["--key", key, "--certificate", certificate]


@pytest.mark.slow
@pytest.mark.usefixtures("kept")
def test_pack_verify_and_find_what_is_wrong(
    command: Command, store: list[str], pair: list[Any], tmp_path: Path
) -> None:
    bag = tmp_path / "bag.zip"
    packed = command("evidence", "pack", "latest", "-o", bag, *pair, *store)
    assert (packed.status, len(packed.out.strip())) == (0, 128)
    assert "wrote" in packed.err and "signed" in packed.err
    assert "no self-test: none was run" in packed.err

    alone, trusted = (
        command("evidence", "verify", bag),
        command("evidence", "verify", bag, "--trust", pair[3]),
    )
    assert (alone.status, trusted.status) == (3, 3), "neither its origin nor its results are determined"
    assert "Signer not authenticated" in alone.out and "Signer authenticated today" in trusted.out
    assert packed.out.strip() in alone.out and SECOND in alone.out
    assert alone.out.endswith("Not determined; level reached: manifest.\n")
    assert trusted.out.endswith("Not determined; level reached: content.\n")

    files = _files(bag)
    name = next(one for one in files if one.endswith("review.json"))
    _write(bag, {**files, name: files[name].replace(b"telnet", b"xelnet", 1)})
    wrong = command("evidence", "verify", bag)
    assert wrong.status == 1
    assert (
        "altered: data/review.json: it is not what manifest-sha256.txt and manifest-sha512.txt has"
        in wrong.out
    )
    assert wrong.out.endswith("Invalid, 1 fault; level reached: container.\n")


@pytest.mark.slow
def test_a_signed_bag_whose_results_come_out_alike_is_valid_and_judged_by_others(
    command: Command, store: list[str], pair: list[Any], tmp_path: Path
) -> None:
    checks = registry.load(plugins=False)
    rules = selection.choose((), checks)
    files = files_of(rules)
    sample = sample_review(2)
    head = replace(sample.head, id=FIRST, selected=tuple(checks.checks), inputs=tuple(f.used for f in files))
    made = judged(
        replace(sample, head=head),
        JudgingRules(baseline=rules, registry=checks, decisions=Decisions(day="2026-03-02")),
    )
    with opening.opened(store[1]) as db:
        db.save(made)
        input_files.keep(db, files)
    bag, theirs = tmp_path / "bag.zip", ["--store", tmp_path / "theirs.db"]
    command("evidence", "pack", FIRST, "-o", bag, *pair, *store)
    found = command("evidence", "verify", bag, "--trust", pair[3])
    assert (found.status, found.out.splitlines()[-1]) == (0, "Valid; level reached: re-judged.")

    once, twice = (command("judge", "--bag", bag, "--json", "-", "--no-plugins") for _ in range(2))
    assert once.out == twice.out and json.loads(once.out)["review"]["judged_from"] == FIRST
    assert command("evidence", "import", bag, *theirs).status == 0
    assert FIRST in command("reviews", *theirs).out
    for words in (["judge"], ["judge", "latest", "--bag", bag]):
        wrong = command(*words, *store)
        assert wrong.status == 2 and "give REVIEW, or --bag FILE" in wrong.err


@pytest.mark.usefixtures("kept")
def test_unpack_and_refuse(command: Command, store: list[str], tmp_path: Path) -> None:
    bag, out = tmp_path / "bag.zip", tmp_path / "out"
    command("evidence", "pack", FIRST, "-o", bag, *store)
    assert command("evidence", "unpack", bag, "-o", out).status == 0
    assert json.loads((out / "data" / "review.json").read_bytes())["review"]["id"] == FIRST
    again = command("evidence", "unpack", bag, "-o", out)
    assert again.status == 2 and "File exists" in again.err
    _write(bag, {"bag/../../x": b"x"})
    for words in (["unpack", bag, "-o", tmp_path / "more"], ["show", "x", "--bag", bag]):
        ended = command("evidence", *words)
        assert ended.status == 2 and "no plain relative path" in ended.err
    ended = command("evidence", "verify", bag)
    assert ended.status == 1 and "no plain relative path" in ended.out.replace("\n  ", " ")
    assert ended.out.endswith("Invalid. No level was reached.\n")


def test_show_tells_the_same_from_bag_and_store(
    command: Command, store: list[str], kept: list[Review], tmp_path: Path
) -> None:
    bag = tmp_path / "bag.zip"
    command("evidence", "pack", SECOND, "-o", bag, *store)
    proven = [r for r in kept[1].findings if r.observations]
    for result in proven:
        name = result.finding
        shown = command("evidence", "show", name, "--bag", bag)
        assert shown.status == 0
        stored = command("evidence", "show", name, "--review", SECOND, *store).out
        # Only the way to a recheck differs: a bag is imported first.
        told = "Recheck the finding, where you are authorised to scan:"
        assert shown.out.partition(told)[0] == stored.partition(told)[0]
        assert f"  hardenprobe recheck {SECOND} {name} {shlex.join(store)}\n" in stored
        assert f"  hardenprobe evidence import {bag} --store " in shown.out
        assert shown.out.startswith(f"Finding {name}\n")
        assert all(obs in shown.out for obs in result.observations)
        assert "  hardenprobe recheck " in shown.out and " FILE" not in shown.out
        assert shown.out.replace("\n", "").isprintable(), "what a device says does nothing to a terminal"
    assert "login" in "".join(command("evidence", "show", r.finding, "--bag", bag).out for r in proven)
    unknown = command("evidence", "show", "nothing", "--bag", bag)
    assert unknown.status == 2 and "there is no finding" in unknown.err
    several = command("evidence", "show", "", *store)
    assert several.status == 2 and "findings begin with" in several.err


def test_show_says_that_the_bag_was_changed(
    command: Command, store: list[str], kept: list[Review], tmp_path: Path
) -> None:
    bag = tmp_path / "bag.zip"
    command("evidence", "pack", SECOND, "-o", bag, *store)
    files = _files(bag)
    name = next(one for one in files if one.endswith("README.txt"))
    _write(bag, {**files, name: b"x"})
    shown = command("evidence", "show", kept[1].findings[0].finding, "--bag", bag)
    assert shown.status == 1 and "is invalid" in shown.err


@pytest.mark.slow
@pytest.mark.usefixtures("kept")
def test_redact(command: Command, store: list[str], tmp_path: Path) -> None:
    full, out, key = tmp_path / "full.zip", tmp_path / "redacted.zip", tmp_path / "key"
    digest = command("evidence", "pack", SECOND, "-o", full, *store).out.strip()
    words = [
        "evidence",
        "pack",
        SECOND,
        "-o",
        out,
        "--redact",
        "--full",
        full,
        "--pseudonym-key",
        key,
        *store,
    ]
    assert command(*words).status == 0
    assert key.stat().st_mode & 0o777 == 0o600
    once = _payload(out)
    assert command(*words).status == 0 and _payload(out) == once, "the same key gives the same pseudonyms"
    told = command("evidence", "verify", out)
    assert told.status == 3 and f"Redacted; the full bag is SHA-512\n  {digest}" in told.out
    key.unlink()
    command(*words)
    assert _payload(out) != once, "another key gives others"
    other = command(*[FIRST if word == SECOND else word for word in words])
    assert other.status == 2 and "is not the full bag of review" in other.err
    key.chmod(0o644)
    assert "chmod 600" in command(*words).err
    shutil.copy(out, full)
    key.chmod(0o600)
    assert "is not the full bag of review" in command(*words).err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["pack", "latest", "-o", "x.zip", "--key", "k"], "go together"),
        (["pack", "latest", "-o", "x.zip", "--redact"], "--redact needs --full"),
        (["pack", "latest", "-o", "x.zip", "--full", "f"], "are for --redact"),
        (["pack", "latest", "-o", "x.zip", "--key", "k", "--certificate", "c"], "cannot be read"),
        (["pack", "latest", "-o", "x.zip", "--capture", "c"], "--capture c: No such file"),
        (
            ["pack", "latest", "-o", "x.zip", "--redact", "--full", "f", "--pseudonym-key", "k"],
            "f cannot be read",
        ),
        (
            [
                "pack",
                "latest",
                "-o",
                "x.zip",
                "--redact",
                "--full",
                "f",
                "--pseudonym-key",
                "k",
                "--capture",
                "c",
            ],
            "leaves packets out",
        ),
        (["pack", "latest", "-o", "x.zip", "--trust-anchor", "c"], "cannot be read"),
        (["pack", "nothing", "-o", "x.zip"], "there is no review"),
        (["pack", "latest", "-o", "missing/x.zip"], "missing/x.zip: No such file"),
        (["verify", "absent.zip"], "cannot be read"),
        (["verify", "absent.zip", "--crl", "c"], "c: cannot be read"),
        (["verify", "absent.zip", "--ocsp", "o"], "o: cannot be read"),
        (["stamp", "absent.zip"], "give --request FILE, and --token FILE"),
        (["stamp", "absent.zip", "--request", "x"], "cannot be read"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
@pytest.mark.usefixtures("kept")
def test_bad_input(
    command: Command,
    store: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    says: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.iterdir())
    ended = command("evidence", *words, *(store if words[0] == "pack" else ()))
    assert (ended.status, ended.out) == (2, "")
    assert says in ended.err
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.usefixtures("kept")
@pytest.mark.parametrize(
    "change", ["results = '['", "results = '[{}]'", "record = replace(record, 'printer', 'scanner')"]
)
def test_a_review_that_was_changed_is_not_packed(
    command: Command, store: list[str], tmp_path: Path, change: str
) -> None:
    with contextlib.closing(sqlite3.connect(store[1])) as db, db:
        db.execute(f"update parts set {change} where review = ?", (SECOND,))
    ended = command("evidence", "pack", SECOND, "-o", tmp_path / "bag.zip", *store)
    assert ended.status == 2 and "changed from outside" in ended.err
    assert not (tmp_path / "bag.zip").exists()


@pytest.mark.slow
def test_the_self_test_that_the_store_holds_is_packed(
    command: Command, store: list[str], kept: list[Review], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = {"format": self_test.FORMAT, "subject": self_test.subject(), "agrees": True, "findings": []}
    calls: list[int] = []
    monkeypatch.setattr(self_test, "scan", lambda: calls.append(1) or made)
    bags = [tmp_path / f"{n}.zip" for n in range(3)]
    told = [command("evidence", "pack", SECOND, "-o", bag, "--self-test", *store).err for bag in bags[:2]]
    told.append(command("evidence", "pack", SECOND, "-o", bags[2], *store).err)
    assert [("scanning" in one, "no self-test" in one) for one in told] == [
        (True, False),
        (False, False),
        (False, False),
    ]
    assert len(calls) == 1
    for bag in bags:
        (data,) = (d for n, d in _files(bag).items() if n.endswith("self-test.json"))
        assert json.loads(data) == made


@pytest.mark.usefixtures("kept")
def test_a_bag_that_cannot_be_written_leaves_the_store_as_it_was(
    command: Command, store: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(self_test, "scan", lambda: {"subject": self_test.subject(), "agrees": True})
    before = Path(store[1]).read_bytes()
    ended = command("evidence", "pack", SECOND, "-o", tmp_path / "missing" / "x.zip", "--self-test", *store)
    assert ended.status == 2 and Path(store[1]).read_bytes() == before


@pytest.mark.usefixtures("kept")
def test_packets_that_the_review_did_not_record(command: Command, store: list[str], tmp_path: Path) -> None:
    packets, bag = tmp_path / "p.pcap", tmp_path / "bag.zip"
    packets.write_bytes(b"packets")
    ended = command("evidence", "pack", SECOND, "-o", bag, "--capture", packets, *store)
    assert ended.status == 0 and "the review has recorded no packets" in ended.err
    assert b"packets" in [data for name, data in _files(bag).items() if name.endswith("packets.pcap")]


def _files(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def _payload(path: Path) -> dict[str, bytes]:
    return {name: data for name, data in _files(path).items() if "/data/" in name}


def _write(path: Path, files: dict[str, bytes]) -> None:
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in files.items():
            archive.writestr(zipfile.ZipInfo(name), data)


@pytest.mark.slow
@pytest.mark.peer
@pytest.mark.usefixtures("kept", "pango")
def test_page_and_paper_carry_the_digests_of_review_and_bag(
    command: Command, store: list[str], tmp_path: Path
) -> None:
    bag, page, paper = (tmp_path / name for name in ("bag.zip", "report.html", "report.pdf"))
    digest = command("evidence", "pack", FIRST, "-o", bag, *store).out.strip()
    for kind, file in (("html", page), ("pdf", paper)):
        assert command("report", FIRST, "--format", kind, "-o", file, "--bag", bag, *store).status == 0
    text = "".join(one.extract_text() for one in PdfReader(paper).pages)
    with zipfile.ZipFile(bag) as packed:
        names = {one.rpartition("/")[2]: one for one in packed.namelist()}
        review = hashlib.sha256(packed.read(names["review.json"])).hexdigest()
        inside = packed.read(names["report.html"]).decode()
    assert review in inside  # the bag's own digest cannot be in the bag
    for said in (page.read_text(encoding="utf-8"), "".join(text.split())):
        assert review in said and digest in said
    wrong = command("report", SECOND, "--format", "html", "-o", page, "--bag", bag, *store)
    assert wrong.status == 2 and "another review" in wrong.err
