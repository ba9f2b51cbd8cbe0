"""`hardenprobe recheck` on real small devices that are changed between."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.model.document import from_document, to_document
from hardenprobe.store import opening
from hardenprobe.testing import sample_review

pytestmark = pytest.mark.slow

Command = Callable[..., Any]
Made = Callable[[dict[int, bytes]], Any]
TELNET, SSH = b"\xff\xfb\x01login: ", b"SSH-2.0-thing\r\n"


def findings(command: Command, store: list[str], check: str, review: str = "latest") -> list[str]:
    document = json.loads(command("report", review, "--format", "json", "-o", "-", *store).out)
    found = [r["finding"] for r in document["results"] if r["check"] == check and r["result"] == "fail"]
    assert found
    return found


@pytest.fixture
def scanned(command: Command, device: Made, store: list[str]) -> Any:
    """A device with telnet, once scanned; what it received and who connected is counted anew from then on."""
    there = device({23: TELNET, 22: SSH, 515: b"", 2323: TELNET})
    assert command("scan", *there.arguments, *store).status == 1
    there.connections.clear()
    return there


def test_a_finding_that_stands(command: Command, scanned: Any, store: list[str]) -> None:
    (first, second) = findings(command, store, "cleartext-telnet")
    ended = command("recheck", "latest", first, *store)
    assert ended.status == 1, ended.err
    assert "1 finding assessed again: 1 open, 0 fixed, 0 not reassessed." in ended.out
    assert set(scanned.connections) <= {23, 22}, (
        "the port of the finding, and one that tells that the device is alive"
    )
    assert bytes(scanned.received) in (b"", b"SSH-2.0-hardenprobe\r\n"), "no byte to telnet"
    assert second not in ended.out


def test_a_finding_that_is_mended(command: Command, scanned: Any, store: list[str], tmp_path: Path) -> None:
    both = findings(command, store, "cleartext-telnet")
    scanned.greetings[23] = SSH
    ended = command("recheck", "latest", *both, *store, "--json", tmp_path / "r.json")
    assert ended.status == 1
    assert "2 findings assessed again: 1 open, 1 fixed, 0 not reassessed." in ended.out
    document = json.loads((tmp_path / "r.json").read_text())
    assert [one["standing"] for one in document["findings"]].count("gone") == 1
    scanned.greetings[2323] = SSH
    assert command("recheck", "latest", *both, *store).status == 0
    assert set(scanned.connections) <= {22, 23, 2323}


def test_what_is_not_recognised_or_not_there_is_not_gone(
    command: Command, scanned: Any, store: list[str]
) -> None:
    first = findings(command, store, "cleartext-telnet")[0]
    for port in scanned.greetings:
        scanned.greetings[port] = b"Hello\r\n"
    ended = command("recheck", "latest", first, *store)
    assert ended.status == 3
    assert "0 open, 0 fixed, 1 not reassessed" in ended.out


def test_a_recheck_is_no_scan(command: Command, scanned: Any, store: list[str]) -> None:
    scan = json.loads(command("reviews", "--json", *store).out)[0]["id"]
    first = findings(command, store, "cleartext-telnet")[0]
    command("recheck", "latest", first, *store)
    recheck, _ = (one["id"] for one in json.loads(command("reviews", "--json", *store).out))
    assert recheck != scan
    assert (
        json.loads(command("report", "latest", "--format", "json", "-o", "-", *store).out)["review"]["id"]
        == scan
    )
    head = json.loads(command("report", recheck, "--format", "json", "-o", "-", *store).out)["review"]
    assert (head["rechecks"], [one["finding"] for one in head["rechecked"]]) == (scan, [first])
    refused = command("compare", scan, recheck, *store)
    assert refused.status == 2 and "says nothing of the rest; name scans" in refused.err
    assert command("judge", recheck, *store).status in (0, 1)
    history = json.loads(command("device", "history", scanned.address, "--json", *store).out)
    assert {one["what"] for one in history["events"]} == {"first-seen", "rechecked", "judged-again"}


def test_dry_run_sends_nothing_and_stores_nothing(command: Command, scanned: Any, store: list[str]) -> None:
    first = findings(command, store, "cleartext-telnet")[0]
    ended = command("recheck", "latest", first, *store, "--dry-run")
    assert ended.status == 0
    assert f"{scanned.address}: TCP" in ended.out
    assert not scanned.connections
    assert len(json.loads(command("reviews", "--json", *store).out)) == 1


BAD = [
    (["2027"], "there is no review '2027'"),
    (["latest", "zzz"], "there is no finding in review"),
    (["latest", ""], "there is no finding in review"),
    (["latest", "--scope", "nowhere.yaml"], "nowhere.yaml"),
    (["latest", "--inventory", "nowhere.csv"], "nowhere.csv"),
    (["latest", "--reach", "far"], "far"),
    (["latest", "--source", "192.0.2.1"], "192.0.2.1"),
]


def test_bad_input(command: Command, scanned: Any, store: list[str]) -> None:
    kept = command("reviews", "--json", *store).out
    for words, says in BAD:
        ended = command("recheck", *words, *store)
        assert (ended.status, ended.out) == (2, ""), ended.err
        assert says in ended.err
    assert not scanned.connections
    assert command("reviews", "--json", *store).out == kept


def test_a_review_of_elsewhere_is_asked_under_its_scope_alone(command: Command, store: list[str]) -> None:
    """It keeps no scope, and without one nothing but this machine is asked."""
    made = sample_review(1)
    elsewhere = json.loads(
        json.dumps(to_document(made)).replace(made.devices[0].addresses[0].address, "192.0.2.7")
    )
    with opening.opened(store[1]) as kept:
        kept.save(from_document(elsewhere))
    ended = command("recheck", "latest", *store, "--vantage", "desk", "--dry-run")
    assert (ended.status, ended.out) == (2, "")
    assert "192.0.2.7" in ended.err and "scope" in ended.err


def test_nobody_there_ends_with_3(command: Command, store: list[str]) -> None:
    with opening.opened(store[1]) as kept:
        sample = sample_review(1)
        kept.save(replace(sample, head=replace(sample.head, port_offset=20000)))
    telnet = sample.findings[0].finding
    ended = command("recheck", "latest", telnet, "--source", "127.0.0.1", "--no-plugins", *store)
    assert ended.status == 3
    assert "no answer at 127.0.0.10" in ended.out.replace("\n", " ")


def test_a_scope_that_does_not_hold_the_address_is_refused(
    command: Command, scanned: Any, store: list[str], tmp_path: Path
) -> None:
    scanned.connections.clear()
    scope = tmp_path / "scope.yaml"
    scope.write_text(
        'scope: "hardenprobe.scope/1"\nname: "floor"\nauthorised_by: "Head"\nnetworks: ["127.250.0.0/24"]\n'
    )
    ended = command("recheck", "latest", "--scope", scope, "--no-plugins", *store)
    assert ended.status == 2
    assert "outside every network of scope 'floor'" in ended.err
    assert not scanned.connections


def test_hostile_text_does_nothing_to_the_screen(command: Command, store: list[str]) -> None:
    with opening.opened(store[1]) as kept:
        kept.save(sample_review(1, hostile=True))
    ended = command("recheck", "latest", "--source", "127.0.0.1", "--no-plugins", *store)
    assert ended.status == 3
    assert not {"\x1b", "\x07", "\u202e", "\x9b"} & set(ended.out + ended.err)
