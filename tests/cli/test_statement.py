"""`hardenprobe statement`: from an answer with its file to the review, and all that is refused."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.store.opening import opened
from hardenprobe.testing import sample_review

Command = Callable[..., Any]
UNTIL = (datetime.now(UTC).date() + timedelta(days=200)).isoformat()
WORDS = ("--control", "administrator-password-set", "--answer", "yes", "--by", "Imke Sandvoort",
         "--until", UNTIL, "--method", "examine")  # fmt: skip


@pytest.mark.slow
def test_the_way_of_a_statement(
    command: Command, store: list[str], device: Callable[..., Any], tmp_path: Path
) -> None:
    one = device({23: b"hello"})
    (tmp_path / "form.txt").write_text("seen and signed")
    added = command(
        "statement", "add", *WORDS, "--device", one.address, "--file", tmp_path / "form.txt", *store
    )
    assert (added.status, added.err) == (0, "")
    assert added.out == f"S-1  administrator-password-set of {one.address}: yes, holds until {UNTIL}\n"

    scanned = command("scan", *one.arguments, *store)
    assert "22  attestations missing, for controls assessed manually" in scanned.out
    detailed = command("report", "latest", "--format", "text", "--details", *store)
    assert "1 answered, 0 expired, 22 unanswered." in " ".join(detailed.out.split())
    assert f"stored-data-encrypted on {one.address}" in detailed.out
    for kind in ("json", "html"):
        command("report", "latest", *store, "--format", kind, "-o", str(tmp_path / kind))
    document = json.loads((tmp_path / "json").read_text())
    row = document["statements"][0]
    assert (row["control"], row["state"], row["by"], row["file"]) == (
        "administrator-password-set", "answered", "Imke Sandvoort", "form.txt",
    )  # fmt: skip
    assert "Controls assessed manually" in (tmp_path / "html").read_text()

    listed = command("statement", "list", *store).out
    assert f"S-1  holds until {UNTIL}" in listed
    digest = hashlib.sha256(b"seen and signed").hexdigest()
    assert f"file form.txt, SHA-256 {digest}" in listed
    assert command("statement", "file", "S-1", "-o", tmp_path / "back", *store).status == 0
    assert (tmp_path / "back").read_text() == "seen and signed"

    assert command("statement", "end", "S-1", "--by", "Morag Kerr", "--reason", "reset", *store).status == 0
    judged = command("judge", "latest", "--details", *store)
    assert "0 answered, 1 expired, 22 unanswered." in " ".join(judged.out.split())
    history = command("statement", "list", "--history", *store).out.splitlines()
    heads = [line.split("  ")[2] for line in history if not line.startswith(" ")]
    assert heads == ["statement S-1", "statement-end S-1"]


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ((), "missing --control, --answer, --by, --until, --method"),
        ((*WORDS, "--fleet", "--tag", "x"), "--device: say whom it is about"),
        (
            (*WORDS, "--fleet", "--answer", "maybe"),
            "--answer: is 'maybe'; answer yes, no, partly, not applicable",
        ),
        ((*WORDS, "--fleet", "--file", "/nowhere/x"), "--file: /nowhere/x: No such file"),
    ],
)
def test_bad_options_change_nothing(
    command: Command, store: list[str], options: tuple[str, ...], says: str
) -> None:
    assert command("statement", "add", *WORDS, "--fleet", *store).status == 0
    before = Path(store[1]).read_bytes()
    ended = command("statement", "add", *options, *store)
    assert ended.status == 2
    assert says in ended.err and ended.err.count("\n") == 1
    assert Path(store[1]).read_bytes() == before


def test_one_about_nobody_is_kept_with_a_notice(command: Command, store: list[str]) -> None:
    about = ("--device", "HO-0191")
    assert command("statement", "add", *WORDS, *about, *store).err == "", "nothing is stored yet"
    with opened(store[1]) as kept:
        kept.save(sample_review(2))
    ended = command("statement", "add", *WORDS, *about, *store)
    assert ended.status == 0
    assert (
        ended.err
        == "notice: the newest review has no device called 'HO-0191'; the statement counts once one has\n"
    )
    ended = command("statement", "add", *WORDS, "--tag", "public-aera", *store)
    assert ended.status == 0 and "no device with the tag 'public-aera'" in ended.err
    for known in (("--device", "HO-0101"), ("--tag", "public-area"), ("--fleet",)):
        assert command("statement", "add", *WORDS, *known, *store).err == ""


def test_many_from_a_file_beside_what_they_attach(command: Command, store: list[str], tmp_path: Path) -> None:
    (tmp_path / "form.txt").write_text("seen")
    file = tmp_path / "state.yaml"
    text = (
        'statements: "hardenprobe.statements/1"\nstate:\n'
        '  - {control: "stored-data-encrypted", fleet: true, answer: no, by: "a", until: "2030-01-01",\n'
        '     method: "interview", file: "form.txt"}\n'
        '  - {control: "prints-held", tag: "x", answer: "not applicable", by: "b", until: "2030-01-01", method: test}\n'
    )
    file.write_text(text.replace("test}", "ask}"))
    refused = command("statement", "add", "--from-file", file, *store)
    assert refused.status == 2 and f"{file}:5: " in refused.err
    file.write_text(text.replace("form.txt", "other.txt"))
    refused = command("statement", "add", "--from-file", file, *store)
    assert refused.status == 2 and f"{file}:4: file: " in refused.err
    assert not Path(store[1]).exists(), "nothing was opened, so nothing was made"
    file.write_text(text)
    assert [line.split()[0] for line in command("statement", "add", "--from-file", file, *store).out.splitlines()] == [
        "S-1", "S-2",
    ]  # fmt: skip


def test_what_is_not_there(command: Command, store: list[str], tmp_path: Path) -> None:
    command("statement", "add", *WORDS, "--fleet", *store)
    assert (
        "there is no statement 'S-2'" in command("statement", "file", "S-2", "-o", tmp_path / "x", *store).err
    )
    assert command("statement", "file", "S-1", "-o", tmp_path / "x", *store).err.endswith("S-1 has no file\n")
    assert not (tmp_path / "x").exists()


def test_the_questions(command: Command) -> None:
    lines = command("statement", "questions").out.splitlines()
    at = lines.index("administrator-password-set")
    assert lines[at + 1].startswith("  Is the administrator's password set")
    assert lines[at + 2].startswith("  examine; SP 800-53 IA-5")


@pytest.mark.slow
def test_what_the_network_contradicts_is_a_finding(
    command: Command, store: list[str], device: Callable[..., Any], tmp_path: Path
) -> None:
    one = device({23: b"\xff\xfb\x01login: "})
    stated = [part if part != "administrator-password-set" else "cleartext-protocols-off" for part in WORDS]
    command("statement", "add", *stated, "--device", one.address, *store)
    scanned = command("scan", *one.arguments, "--only", "statement-contradicted", *store)
    assert scanned.status == 1
    command("report", "latest", *store, "--format", "json", "-o", tmp_path / "r.json")
    document = json.loads((tmp_path / "r.json").read_text())
    (finding,) = [r for r in document["results"] if r["result"] == "fail"]
    assert (finding["check"], finding["subject"]) == ("statement-contradicted", "cleartext-protocols-off")
    assert finding["endpoint"]["port"] == 23
    assert "(S-1, " in finding["observed"]["text"] and "telnet answers" in finding["observed"]["text"]
    kinds = {o["id"]: o["kind"] for o in document["observations"]}
    assert [kinds[id] for id in finding["observations"]] == ["statement-made", "telnet-greeting"]

    command("statement", "end", "S-1", "--by", "Imke Sandvoort", "--reason", "wrong", *store)
    assert command("judge", "latest", *store).status == 0


def test_what_people_wrote_sends_nothing_to_the_terminal_and_keeps_to_its_width(
    command: Command, store: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    command("statement", "add", *WORDS, "--fleet", "--words", "\x1b[31m" + "many words " * 40, *store)
    monkeypatch.setenv("COLUMNS", "80")
    for option in ((), ("--history",)):
        shown = command("statement", "list", *option, *store).out
        assert "\x1b" not in shown and r"\x1b[31m" in shown
        assert all(len(line) <= 80 for line in shown.splitlines())
