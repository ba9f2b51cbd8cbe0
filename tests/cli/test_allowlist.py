"""`hardenprobe allowlist`: how it ends, what it prints at 80 columns, and what it leaves alone."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Command = Callable[..., Any]
LIST = """address;mask;remark
192.0.2.0;255.255.255.0;offices
192.0.2.128;255.255.255.128;printers
198.51.100.7;;print server
203.0.0.5;255.255.0.255;what ends in 5
2001:db8::;ffff:ffff::;
"""
APPROVED = """
- 192.0.2.0/25
- 198.51.100.0/28
- {address: 203.0.0.5, mask: 255.255.0.255}
- {first: "2001:db8::1", last: "2001:db8::9"}
"""


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "list.csv").write_text(LIST, encoding="utf-8")
    (tmp_path / "approved.yaml").write_text(APPROVED, encoding="utf-8")
    return tmp_path


def test_what_is_approved_and_no_more_ends_with_0(command: Command, files: Path) -> None:
    ended = command("allowlist", "approved.yaml", "--approved", "approved.yaml", "--forms", "cidr,range,mask")
    assert (ended.status, ended.err) == (0, "")
    assert ended.out.count("None.") == 3


@pytest.mark.parametrize(
    ("listed", "approved"),
    [
        pytest.param("192.0.2.0/24", "192.0.2.0/25", id="admitted beyond"),
        pytest.param("192.0.2.0/25", "192.0.2.0/24", id="locked out"),
        pytest.param("192.0.2.0/24\n192.0.2.1", "192.0.2.0/24", id="swallowed"),
        pytest.param("192.0.2.0/24\n192.0.2.0/24", "192.0.2.0/24", id="repeated"),
        pytest.param(
            "10.0.0.5/255.0.0.255", "10.0.0.5/255.0.0.255", id="a form that the device does not take"
        ),
    ],
)
def test_what_is_wrong_ends_with_1(command: Command, files: Path, listed: str, approved: str) -> None:
    (files / "list.txt").write_text(listed, encoding="utf-8")
    (files / "approved.txt").write_text(approved, encoding="utf-8")
    assert command("allowlist", "list.txt", "--approved", "approved.txt").status == 1


def test_the_screen_fits_80_columns(command: Command, files: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    ended = command(
        "allowlist",
        "list.csv",
        "--approved",
        "approved.yaml",
        "--fit",
        "3",
        "--forms",
        "cidr,range,mask",
        "--edges",
    )
    assert ended.status == 1
    assert max(map(len, ended.out.splitlines())) <= 80
    said = " ".join(ended.out.split())
    assert "such as 192.0.2.128: 192.0.2.128/25, 2001:db8::/128" in said
    assert "15 addresses, such as 198.51.100.0: 198.51.100.0/30" in said
    assert "3 swallowed 192.0.2.128/255.255.255.128 lies inside" in said
    assert "line 2: 192.0.2.0/255.255.255.0" in said
    assert "What the list admits now, in 3 entries" in said
    assert "saying it exactly takes 4" in said
    assert "The list has 5 entries, the device takes 3." in said
    assert "192.0.3.0 not admitted no" in said
    assert "local security policy" in said


@pytest.mark.slow
def test_the_document_holds_what_the_screen_shows(command: Command, files: Path) -> None:
    options = ["--approved", "approved.yaml", "--fit", "9", "--forms", "cidr,range,mask", "--edges"]
    ended = command("allowlist", "list.csv", *options, "--json", "-")
    assert (ended.status, ended.err) == (1, "")
    document = json.loads(ended.out)
    assert document["format"] == "hardenprobe.allowlist/1"
    assert document["clean"] is False
    assert document["list"] == {"file": "list.csv", "entries": 5, "unreadable": 0, "addresses": 2**96 + 513}
    assert document["admitted_beyond"]["count"] == 128 + 2**96 - 9
    assert document["admitted_beyond"]["cover"][:2] == ["192.0.2.128/25", "2001:db8::/128"]
    assert [one["line"] for one in document["admitted_beyond"]["entries"]] == [2, 3, 6]
    assert (document["locked_out"]["count"], document["locked_out"]["example"]) == (15, "198.51.100.0")
    (fault,) = document["faults"]
    assert (fault["file"], fault["line"], fault["fault"]) == ("list.csv", 3, "swallowed")
    assert fault["because_of_lines"] == [2]
    assert document["fit"]["list"]["excess"] == 0
    assert "203.0.0.5/255.255.0.255" in document["fit"]["list"]["entries"]
    assert {
        "inside": "192.0.2.255",
        "outside": "192.0.3.0",
        "inside_is_ours": False,
        "outside_is_ours": False,
    } in (document["edges"])

    written = command("allowlist", "list.csv", *options, "--json", "result.json")
    assert json.loads((files / "result.json").read_text(encoding="utf-8")) == document
    assert "Admitted and not approved" in written.out


def test_an_entry_that_cannot_be_read_ends_with_2_and_writes_nothing(command: Command, files: Path) -> None:
    (files / "list.csv").write_text(LIST + "192.0.2.5;255.255.255.0;\n", encoding="utf-8")
    (files / "result.json").write_text("as it was", encoding="utf-8")
    ended = command("allowlist", "list.csv", "--approved", "approved.yaml", "--json", "result.json")
    assert ended.status == 2
    assert "hardenprobe: list.csv:7: " in ended.err
    assert "did you mean 192.0.2.0/24 or the address 192.0.2.5?" in ended.err
    assert "6 entries, 1 of them unreadable and left out" in ended.out
    assert (files / "result.json").read_text(encoding="utf-8") == "as it was"
    document = json.loads(command("allowlist", "list.csv", "--approved", "approved.yaml", "--json", "-").out)
    assert document["list"]["unreadable"] == 1
    assert [(one["line"], one["fault"]) for one in document["faults"]][-1] == (7, "unreadable")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["gone.txt", "--approved", "approved.yaml"], "gone.txt: "),
        (["list.csv"], "--approved"),
        (["list.csv", "--approved", "approved.yaml", "--forms", "cidr,octets"], "--forms has 'octets', expected some of"),
        (["list.csv", "--approved", "approved.yaml", "--forms", ","], "--forms has '', expected some of"),
        (["list.csv", "--approved", "approved.yaml", "--fit", "0"], "--fit"),
        (["list.csv", "--approved", "list.yaml"], "list.yaml:2: "),
        (["list.yaml", "--approved", "approved.yaml", "--json", "no/such/folder"], "list.yaml:2: "),
        (["approved.yaml", "--approved", "approved.yaml", "--json", "no/such/folder"], "--json no/such/folder: "),
    ],
)  # fmt: skip
def test_bad_input_is_one_line_and_2(command: Command, files: Path, arguments: list[str], says: str) -> None:
    (files / "list.yaml").write_text("- 192.0.2.0/24\n- 192.0.2.1/24\n", encoding="utf-8")
    before = sorted(path.name for path in files.iterdir())
    ended = command("allowlist", *arguments)
    assert ended.status == 2
    assert says in ended.err
    assert sorted(path.name for path in files.iterdir()) == before


def test_what_a_file_holds_cannot_steer_the_terminal(command: Command, files: Path) -> None:
    (files / "list.txt").write_text("192.0.2.0/24\n\x1b]0;owned\x07\x1b[2J[bold]\n", encoding="utf-8")
    ended = command("allowlist", "list.txt", "--approved", "approved.yaml")
    assert ended.status == 2
    assert "\x1b" not in ended.out + ended.err
    assert "[bold]" in ended.out
