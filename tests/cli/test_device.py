"""`hardenprobe device`: into the fleet, out of it, seen again; and all that is refused."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.store.opening import opened
from hardenprobe.testing import HOSTILE, sample_review

Command = Callable[..., Any]
TODAY = datetime.now(UTC).date()
WHO = ("--accepted-by", "Morag Kerr", "--requested-by", "Imke Sandvoort", "--reason", "replaces HO-0099")
QUESTION = "administrator-password-set"
POINTS = ("storage", "certificate", "allow_lists", "monitoring", "accounts")
DONE = (
    "--by", "Morag Kerr", "--reason", "worn out", "--storage", "form 17", "--method", "destroy", "--not-applicable",
    "certificate=it had none", "--allow-lists", "change 12", "--monitoring", "change 13", "--accounts", "change 14",
)  # fmt: skip


@pytest.fixture
def fleet(store: list[str]) -> list[str]:
    """A store that holds one review of three invented devices."""
    with opened(store[1]) as kept:
        kept.save(sample_review(3))
    return store


def bytes_of(store: list[str]) -> bytes:
    """What the store holds: a table that was made and left empty is not a change."""
    with closing(sqlite3.connect(store[1])) as db:
        return "\n".join(line for line in db.iterdump() if line.startswith("INSERT")).encode()


@pytest.mark.slow
def test_a_devices_way_through_the_fleet(
    command: Command, store: list[str], device: Callable[..., Any], tmp_path: Path
) -> None:
    one = device({443: b""})
    inventory, rules = tmp_path / "i.yaml", tmp_path / "ours.yaml"
    inventory.write_text(
        'inventory: "hardenprobe.inventory/1"\n'
        f'devices: [{{asset_tag: "HO-0500", addresses: ["{one.address}"], kind: "printer"}}]\n'
    )
    rules.write_text(
        f'extends: "{one.baseline}"\nbaseline: "ours/1"\npeople: ["{QUESTION}"]\n'
        'must_determine: ["unexpected-service"]\n'
    )
    arguments = [*one.arguments, "--inventory", str(inventory), *store]

    def scan() -> tuple[dict[str, Any], str]:
        file = tmp_path / "review.json"
        ended = command("scan", *arguments, "--details", "--json", str(file))
        return json.loads(file.read_text()), " ".join(ended.out.split())

    first, screen = scan()
    (known,) = first["devices"]
    coverage = first["coverage"]
    assert (coverage["listed_seen"], coverage["accepted"], coverage["not_accepted"]) == (["HO-0500"], [], [])
    assert "Expected and reached: 1" in screen and "Accepted" not in screen

    accept = ("device", "accept", "HO-0500", "--baseline", str(rules), "--no-plugins", *store)
    refused = command(*accept, *WHO)
    assert refused.status == 1
    assert f"unanswered by people: {QUESTION}" in " ".join(refused.out.split())
    assert "nothing is kept" in refused.err
    said = ("--control", QUESTION, "--device", "HO-0500", "--answer", "yes", "--by", "Imke Sandvoort", "--method", "examine",
            "--until", (TODAY + timedelta(days=90)).isoformat())  # fmt: skip
    assert command("statement", "add", *said, *store).status == 0
    before = bytes_of(store)
    trial = command(*accept, "--dry-run")
    assert trial.status == 0, trial.out
    assert "Nothing prevents acceptance, " in trial.out
    assert bytes_of(store) == before
    accepted = command(*accept, *WHO, "-o", str(tmp_path / "record.html"))
    assert (accepted.status, accepted.err.splitlines()) == (0, [f"wrote {tmp_path / 'record.html'}"])
    assert f"Accepted into the fleet on {TODAY} (A-1)," in accepted.out and "replaces HO-0099" in accepted.out
    assert "<h1>Acceptance of HO-0500</h1>" in (tmp_path / "record.html").read_text()

    second, screen = scan()
    assert second["coverage"]["accepted"] == [known["id"]]
    assert "Accepted into the fleet: 1 of those reached" in screen

    template = tmp_path / "answers.yaml"
    retire = ("device", "retire", one.address, *store)
    open_ = command(*retire)
    assert open_.status == 1 and all(f"\n{point}: " in open_.out for point in POINTS)
    assert command(*retire, "--template", "-o", str(template)).status == 0
    assert command(*retire, "--answers", str(template)).status == 1
    answers = (
        template.read_text().replace('by: ""', 'by: "Morag Kerr"').replace('when: ""', f'when: "{TODAY}"')
    )
    answers = answers.replace('evidence: ""', 'evidence: "form 17"').replace('method: ""', 'method: "purge"')
    answers = answers.replace('reason: ""', 'reason: "worn out"').replace('serial: ""', 'serial: "0a"')
    template.write_text(answers)
    lists = tmp_path / "list.txt"
    lists.write_text(f"192.0.2.1\n{one.address}\n")
    named = command(*retire, "--answers", str(template), "--list", str(lists))
    assert named.status == 1
    assert f"allow_lists: {lists}:2: {one.address} names it" in " ".join(named.out.split())
    lists.write_text("192.0.2.1\n127.0.0.0/8\n")
    retired = command(*retire, "--answers", str(template), "--list", str(lists))
    assert retired.status == 0, retired.err
    assert f"Retired from the fleet on {TODAY} (R-1)." in retired.out
    assert "2 reviews, and every entry of the ledger" in " ".join(retired.out.split())
    again = command(*retire, *DONE)
    assert again.status == 2 and "was retired on" in again.err

    third, screen = scan()
    (sighting,) = third["coverage"]["retired_seen"]
    assert (sighting["device"], sighting["entry"], sighting["known_by"]) == (known["id"], "R-1", "asset-tag")
    assert third["coverage"]["not_accepted"] == [known["id"]]
    assert f"Notice: HO-0500 was retired on {TODAY} (R-1), and is seen again at {one.address}" in screen
    assert "Retired but reached: 1" in screen and "Not accepted yet: 1" in screen

    told = json.loads(command("device", "history", known["id"][:9], "--json", *store).out)
    assert told["format"] == "hardenprobe.device-history/1" and told["device"]["label"] == "HO-0500"
    assert [event["what"] for event in told["events"]] == [
        "first-seen", "statement", "accepted", "seen", "retired", "seen",
    ]  # fmt: skip
    lines = command("device", "history", "HO-0500", *store).out.splitlines()
    assert len(lines) == 7 and "retired (R-1) by Morag Kerr: worn out" in lines[5]


def test_retiring_ends_the_exceptions_of_the_device(command: Command, fleet: list[str]) -> None:
    review = sample_review(3)
    body = {
        "check": "cleartext-ftp", "device": review.devices[0].id, "label": "HO-0101", "tag": None, "reason": "r",
        "compensating": "c", "requested_by": "a", "approved_by": "b", "starts": "2026-03-02",
        "until": (TODAY + timedelta(days=5)).isoformat(), "review": review.head.id, "baseline": "b", "accepted": [],
    }  # fmt: skip
    from hardenprobe.decisions.entry import Draft
    from hardenprobe.store.ledger import Ledger

    with opened(fleet[1]) as kept:
        Ledger(kept).add([Draft(kind="exception", subject="E-", body=body)])
    looked = command("device", "retire", "HO-0101", *fleet)
    assert looked.status == 1 and "Its risk acceptances: to be ended: E-1" in looked.out
    done = command("device", "retire", "HO-0101", *DONE, *fleet)
    assert done.status == 0 and "Its risk acceptances: ended: E-1" in done.out
    assert f"E-1  ended on {TODAY}" in command("exception", "list", *fleet).out
    history = command("exception", "list", "--history", *fleet).out
    assert "reason: the device is retired: worn out" in history


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        pytest.param(("accept", "HO-0101"), "missing --accepted-by, --requested-by, --reason", id="nobody named"),
        pytest.param(("accept", "HO-0101", *WHO, "--accepted-by", "imke sandvoort"), "--accepted-by: 'imke sandvoort' is also the requester", id="one person"),
        pytest.param(("accept", "nobody", *WHO), "there is no device in any review 'nobody'", id="no device"),
        pytest.param(("accept", "HO-0101", *WHO, "--review", "x"), "there is no review 'x'", id="no review"),
        pytest.param(("accept", "HO-0101", *WHO, "--baseline", "office"), "there is no baseline 'office'", id="no baseline"),
        pytest.param(("accept", "HO-0101", *WHO, "--despite", "fax"), "--despite: there is no control", id="no control"),
        pytest.param(("accept", "HO-0101", "--dry-run", "--despite", "fax"), "--despite: there is no control", id="no control, on trial"),
        pytest.param(("retire", "HO-0101", *DONE, "--method", "burn"), "--method: is 'burn'", id="no method"),
        pytest.param(("retire", "HO-0101", "--by", "x", "--certificate", "y", "--serial", "none"), "--serial: is 'none'; write the serial in hex digits", id="no serial"),
        pytest.param(("retire", "HO-0101", *DONE, "--when", "2099-01-01"), "--when: 2099-01-01 is still to come", id="to come"),
        pytest.param(("retire", "HO-0101", *DONE, "--not-applicable", "disk"), "--not-applicable: 'disk' is not POINT=WHY", id="no point"),
        pytest.param(("retire", "HO-0101", *DONE, "--list", "none.txt"), "none.txt: cannot be read", id="no list"),
        pytest.param(("retire", "HO-0101", *DONE, "--answers", "none.yaml"), "leave out --by", id="both"),
        pytest.param(("retire", "HO-0101", "--answers", "none.yaml"), "none.yaml: cannot be read", id="no answers"),
        pytest.param(("history", "HO-010"), "there is no device in any review 'HO-010'; did you mean HO-010", id="nearly"),
    ],
)  # fmt: skip
def test_bad_input_changes_nothing(
    command: Command, fleet: list[str], arguments: tuple[str, ...], says: str
) -> None:
    before = Path(fleet[1]).read_bytes()
    ended = command("device", *arguments, *fleet)
    assert ended.status == 2, ended.out
    assert says in ended.err and ended.err.count("\n") == 1
    assert Path(fleet[1]).read_bytes() == before


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("retirement: mine\n", 1, "expected 'hardenprobe.retirement/1'"),
        ('retirement: "hardenprobe.retirement/1"\ndevice: "HO-0102"\n', 2, "the answers are about 'HO-0102'"),
        ('retirement: "hardenprobe.retirement/1"\ndevice: "HO-0101"\ndisk: {}\n', 3, "unknown key 'disk'"),
        ('retirement: "hardenprobe.retirement/1"\ndevice: "HO-0101"\nstorage: {method: "purge",\n when: "x"}\n', 4, "is no day"),
        ('retirement: "hardenprobe.retirement/1"\nretirement: "x"\n', 2, "is repeated"),
    ],
)  # fmt: skip
def test_a_bad_file_of_answers_changes_nothing(
    command: Command, fleet: list[str], tmp_path: Path, text: str, line: int, says: str
) -> None:
    file = tmp_path / "answers.yaml"
    file.write_text(text)
    before = Path(fleet[1]).read_bytes()
    ended = command("device", "retire", "HO-0101", "--answers", str(file), *fleet)
    assert ended.status == 2
    assert ended.err.startswith(f"hardenprobe: {file}:{line}: ") and says in ended.err
    assert Path(fleet[1]).read_bytes() == before


def test_what_is_refused_is_not_kept(command: Command, fleet: list[str]) -> None:
    before = Path(fleet[1]).read_bytes()
    for arguments in (("accept", "HO-0101", *WHO), ("retire", "HO-0101"), ("accept", "HO-0102", "--dry-run")):
        ended = command("device", *arguments, *fleet)
        assert ended.status == 1, ended.err
    assert Path(fleet[1]).read_bytes() == before


def test_several_are_listed(command: Command, store: list[str]) -> None:
    with opened(store[1]) as kept:
        kept.save(sample_review(40))
    firsts = [one.id[0] for one in sample_review(40).devices]
    letter = max(firsts, key=firsts.count)
    ended = command("device", "history", letter, *store)
    assert ended.status == 2
    assert f"'{letter}' means " in ended.err and "give the asset tag or the id" in ended.err


def test_a_changed_ledger_accepts_and_retires_nobody(command: Command, fleet: list[str]) -> None:
    assert command("device", "retire", "HO-0101", *DONE, *fleet).status == 0
    with closing(sqlite3.connect(fleet[1])) as db, db:
        db.execute("update ledger set body = replace(body, 'Morag', 'Flora')")
    before = bytes_of(fleet)
    ended = command("device", "retire", "HO-0102", *DONE, *fleet)
    assert ended.status == 2 and "was changed from outside at entry 1; nothing is added" in ended.err
    assert bytes_of(fleet) == before


@pytest.mark.slow
def test_hostile_text_reaches_no_terminal_and_no_page(
    command: Command, store: list[str], tmp_path: Path
) -> None:
    with opened(store[1]) as kept:
        kept.save(sample_review(8, hostile=True))
    for device in sample_review(8, hostile=True).devices:
        page = tmp_path / "a.html"
        for arguments in (
            ("accept", device.id, "--dry-run", "-o", str(page)),
            ("retire", device.id),
            ("retire", device.id, "--template"),
            ("history", device.id),
        ):
            ended = command("device", *arguments, *store)
            assert all(char.isprintable() or char == "\n" for char in ended.out + ended.err)
        html = page.read_text()
        assert "<script" not in html and "<img" not in html
        assert not any(text in html for text in HOSTILE if "<" in text)


def test_help_names_the_three(command: Command) -> None:
    told = command("device", "--help")
    assert told.status == 0
    assert all(f"\n  {name} " in told.out for name in ("accept", "retire", "history"))
