"""`hardenprobe exception`: from a finding to an accepted one and back, and all that is refused."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

Command = Callable[..., Any]
TELNET = b"\xff\xfb\x01login: "
UNTIL = (datetime.now(UTC).date() + timedelta(days=20)).isoformat()
WORDS = {
    "--check": "cleartext-telnet",
    "--reason": "the tide table script",
    "--compensating": "a filter",
    "--requested-by": "Imke Sandvoort",
    "--approved-by": "Morag Kerr",
    "--until": UNTIL,
}


@pytest.fixture
def scanned(command: Command, store: list[str], device: Callable[..., Any]) -> Callable[[], Any]:
    """Scan a device that speaks telnet, for that check alone; again at each call."""
    one = device({23: TELNET})

    def scan() -> Any:
        return command("scan", *one.arguments, "--only", "cleartext-telnet", *store)

    assert scan().status == 1
    scan.address = one.address  # type: ignore[attr-defined]
    return scan


def options(scan: Any, **changes: str | None) -> list[str]:
    given = {"--device": scan.address, **WORDS, **{f"--{k.replace('_', '-')}": v for k, v in changes.items()}}
    return [part for key, value in given.items() if value is not None for part in (key, value)]


@pytest.mark.slow
def test_the_way_of_an_exception(command: Command, store: list[str], scanned: Any, tmp_path: Path) -> None:
    added = command("exception", "add", *options(scanned), *store)
    assert (added.status, added.err) == (0, "")
    assert added.out.startswith("E-1  cleartext-telnet on ")
    assert "1 finding of review" in added.out and f"runs until {UNTIL}" in added.out

    judged = command("judge", "latest", *store)
    assert judged.status == 0
    assert "; 1 accepted" in judged.out
    assert scanned().status == 0, "a new scan sees it too"
    assert command("report", "latest", *store, "--format", "json", "-o", str(tmp_path / "r.json")).status == 0
    document = json.loads((tmp_path / "r.json").read_text())
    (finding,) = [r for r in document["results"] if r["result"] == "fail"]
    assert finding["exception"] == {"id": "E-1", "until": UNTIL}
    assert document["exceptions"][0]["approved_by"] == "Morag Kerr"

    listed = command("exception", "list", *store)
    assert f"E-1  runs until {UNTIL}" in listed.out and "approved by Morag Kerr" in listed.out
    assert json.loads(command("exception", "list", "--json", *store).out)[0]["state"] == f"runs until {UNTIL}"

    ended = command("exception", "end", "E-1", "--by", "Morag Kerr", "--reason", "script replaced", *store)
    assert ended.status == 0
    again = command("judge", "latest", *store)
    assert again.status == 1
    assert "E-1 no longer covers cleartext-telnet on" in " ".join(again.out.split())
    history = command("exception", "list", "--history", *store).out.splitlines()
    heads = [line for line in history if not line.startswith(" ")]
    assert [line.split("  ")[2] for line in heads] == ["exception E-1", "exception-end E-1"]
    assert "  compensating: a filter" in history and "  reason: script replaced" in history
    assert "ended on" in command("exception", "list", *store).out


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        pytest.param({"reason": None, "until": None}, "missing --reason, --until", id="missing"),
        pytest.param({"approved_by": "Imke Sandvoort"}, "--approved-by: 'Imke Sandvoort' is also the requester", id="same person"),
        pytest.param({"approved_by": "\uff29MKE  sandvoort"}, "is also the requester", id="same person, written otherwise"),
        pytest.param({"until": "2031-01-01"}, "--until: 2031-01-01 is too far", id="too long"),
        pytest.param({"review": "zzz"}, "there is no review 'zzz'", id="no review"),
        pytest.param({"device": "nobody"}, "--device: there is no device in review", id="no device"),
    ],
)  # fmt: skip
def test_bad_options_change_nothing(
    command: Command, store: list[str], scanned: Any, changes: dict[str, str | None], says: str
) -> None:
    before = Path(store[1]).read_bytes()
    ended = command("exception", "add", *options(scanned, **changes), *store)
    assert ended.status == 2
    assert says in ended.err and ended.err.count("\n") == 1
    assert Path(store[1]).read_bytes() == before
    assert command("exception", "list", "--history", *store).out == ""


FILE = """\
exceptions: "hardenprobe.exceptions/1"
accept:
  - device: "{address}"
    check: "cleartext-telnet"
    port: "{port}"
    reason: "the tide table script"
    compensating: "a filter"
    requested_by: "Imke Sandvoort"
    approved_by: "Morag Kerr"
    until: "{until}"
  - {{device: "{address}", check: "cleartext-telnet", reason: "r", compensating: "c", requested_by: "a",
     approved_by: "{other}", until: "{until}"}}
"""


def test_many_from_a_file_or_none(command: Command, store: list[str], scanned: Any, tmp_path: Path) -> None:
    file = tmp_path / "accept.yaml"
    good = {"address": scanned.address, "port": "23/tcp", "until": UNTIL, "other": "b"}

    def add(text: str, *more: str) -> Any:
        file.write_text(text)
        return command("exception", "add", "--from-file", str(file), *more, *store)

    before = Path(store[1]).read_bytes()
    for text, line, says in (
        (FILE.format(**{**good, "other": "A"}), 12, "approved_by: 'A' is also the requester"),
        (FILE.format(**{**good, "port": "22/tcp"}), 5, "port: no finding of cleartext-telnet at 22/tcp"),
        (FILE.format(**good).replace("requested_by:", "requested:", 1), 8, "did you mean 'requested_by'?"),
        ('exceptions: "hardenprobe.exceptions/1"\naccept: []\n', 2, "accept is empty"),
        ("exceptions: mine\naccept: []\n", 1, "expected 'hardenprobe.exceptions/1'"),
    ):
        ended = add(text)
        assert ended.status == 2
        assert f"{file}:{line}: " in ended.err and says in ended.err
    assert "leave out --check" in add(FILE.format(**good), "--check", "cleartext-ftp").err
    assert Path(store[1]).read_bytes() == before
    assert command("exception", "list", "--history", *store).out == ""

    assert [line.split()[0] for line in add(FILE.format(**good)).out.splitlines()] == ["E-1", "E-2"]


def test_ending_what_is_not_there_or_is_over(command: Command, store: list[str], scanned: Any) -> None:
    end = ("--by", "Morag Kerr", "--reason", "done", *store)
    assert "there is no exception 'E-1'" in command("exception", "end", "E-1", *end).err
    command("exception", "add", *options(scanned), *store)
    assert command("exception", "end", "E-1", *end).status == 0
    before = Path(store[1]).read_bytes()
    second = command("exception", "end", "E-1", *end)
    assert second.status == 2 and "was ended on" in second.err
    wordless = command("exception", "end", "E-1", "--by", " ", "--reason", "x", *store)
    assert wordless.status == 2
    assert Path(store[1]).read_bytes() == before


def test_a_changed_ledger_is_said_and_accepts_nothing(
    command: Command, store: list[str], scanned: Any
) -> None:
    command("exception", "add", *options(scanned), *store)
    with contextlib.closing(sqlite3.connect(store[1])) as db, db:
        db.execute("update ledger set body = replace(body, 'Morag', 'Flora')")
    listed = command("exception", "list", *store)
    assert listed.status == 3
    assert "was changed from outside at entry 1" in listed.err
    refused = command("exception", "add", *options(scanned), *store)
    assert refused.status == 2 and "nothing is added" in refused.err
    judged = command("judge", "latest", *store)
    assert judged.status == 1
    assert "was changed from outside at entry 1" in " ".join(judged.out.split())
