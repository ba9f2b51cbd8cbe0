"""`hardenprobe recheck`: before and after, how it ends, and what it refuses. Every device here is a real one."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hardenprobe import store as stores
from hardenprobe.testing import sample_review

TELNET = b"\xff\xfb\x01login: "
SSH = b"SSH-2.0-thing\r\n"
Command = Callable[..., Any]
Make = Callable[[dict[int, bytes]], Any]


@pytest.fixture
def scanned(command: Command, device: Make, store: list[str]) -> Any:
    """A device with telnet on two ports, scanned for it."""
    one = device({23: TELNET, 2323: TELNET, 22: SSH})
    ended = command("scan", *one.arguments, "--only", "cleartext-telnet", *store)
    assert ended.status == 1
    return one


def findings(store: list[str]) -> list[str]:
    with stores.opened(store[1]) as kept:
        return [one.finding for one in kept.load("latest").findings]


def ids(command: Command, store: list[str]) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(command("reviews", "--json", *store).out)
    return found


def test_what_stands_ends_with_1_and_is_shown_side_by_side(
    command: Command, scanned: Any, store: list[str]
) -> None:
    first = findings(store)[0]
    scanned.connections.clear()
    ended = command("recheck", "latest", first[:9], "--no-plugins", *store)
    assert ended.status == 1, ended.err
    assert "1 finding asked about again: 1 stands, 0 gone, 0 not determined." in ended.out
    assert ended.out.count("fail, medium") == 2
    assert "Before" in ended.out and "After" in ended.out and "Caution" in ended.out
    assert ended.out.count(f"0 bytes sent, {len(TELNET)} received") == 2
    # One of the two telnet ports, and the port by which the device is proven alive.
    assert scanned.connections == {23: 1, 22: 1} or scanned.connections == {2323: 1, 22: 1}
    assert scanned.received == b""
    assert "is stored" in ended.err and "recheck of" not in ended.err


def test_without_a_finding_all_are_asked_and_json_says_the_same(
    command: Command, scanned: Any, store: list[str]
) -> None:
    ended = command("recheck", "latest", "--no-plugins", "--json", "-", *store)
    assert ended.status == 1
    document = json.loads(ended.out)
    assert document["format"] == "hardenprobe.recheck/1"
    assert {one["finding"] for one in document["findings"]} == set(findings(store))
    assert {one["standing"] for one in document["findings"]} == {"stands"}
    newest = ids(command, store)[0]
    assert (newest["id"], newest["rechecks"]) == (document["recheck"], document["review"])
    assert "recheck of" in command("reviews", *store).out
    history = json.loads(command("device", "history", scanned.address, "--json", *store).out)
    assert [one["what"] for one in history["events"]] == ["first-seen", "rechecked"]
    assert "says nothing of the rest" in command("judge", document["recheck"], *store, "--no-plugins").out


def test_what_is_gone_ends_with_0(command: Command, device: Make, store: list[str]) -> None:
    before = device({23: TELNET, 22: SSH})
    assert command("scan", *before.arguments, "--only", "cleartext-telnet", *store).status == 1
    with stores.opened(store[1]) as kept:
        old = kept.load("latest")
    # The same review of another address, at which telnet is off.
    after = device({22: SSH})
    text = json.dumps(stores.to_document(old)).replace(before.address, after.address)
    moved = stores.from_document(json.loads(text))
    with stores.opened(store[1]) as kept:
        kept.save(replace(moved, head=replace(moved.head, id="20990101-000000-aaaaaa")))
    ended = command("recheck", "20990101", "--no-plugins", *store)
    assert ended.status == 0, ended.out + ended.err
    assert "1 gone" in ended.out and "off on TCP" not in ended.err


def test_nobody_there_ends_with_3(command: Command, store: list[str]) -> None:
    with stores.opened(store[1]) as kept:
        sample = sample_review(1)
        kept.save(replace(sample, head=replace(sample.head, port_offset=20000)))
    telnet = sample.findings[0].finding
    ended = command("recheck", "latest", telnet, "--source", "127.0.0.1", "--no-plugins", *store)
    assert ended.status == 3
    assert "nobody answers at 127.0.0.10" in ended.out.replace("\n", " ")


def test_dry_run_sends_nothing_and_stores_nothing(command: Command, scanned: Any, store: list[str]) -> None:
    scanned.connections.clear()
    before = Path(store[1]).read_bytes()
    ended = command("recheck", "latest", "--dry-run", "--no-plugins", *store)
    assert ended.status == 0
    assert f"there            {scanned.address}: TCP 22, 23, 2323" in ended.out
    assert not scanned.connections
    assert Path(store[1]).read_bytes() == before


def test_bad_input_ends_with_2_and_changes_nothing(command: Command, scanned: Any, store: list[str]) -> None:
    scanned.connections.clear()
    before = Path(store[1]).read_bytes()
    for arguments, said in (
        (["no-such"], "there is no review 'no-such'"),
        (["latest", "zz"], "there is no finding in review"),
        (["latest", ""], "there is no finding in review"),
        (["latest", "--reach", "far"], "far"),
        (["latest", "--source", "192.0.2.9"], "no address of this machine"),
        (["latest", "--inventory", "no-such.yaml"], "no-such.yaml"),
        (["latest", "--scope", "no-such.yaml"], "no-such.yaml"),
        (["latest", "--vantage", "a", "--vantage", "b"], "2 --vantage for 1 --source"),
        (["latest", "--port-offset", "50000", "--secrets", "no-such.yaml"], "no-such.yaml"),
        ([], "REVIEW"),
    ):
        ended = command("recheck", *arguments, "--no-plugins", *store)
        assert (ended.status, said in ended.err) == (2, True), (arguments, ended.err)
    assert not scanned.connections
    assert Path(store[1]).read_bytes() == before


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
    with stores.opened(store[1]) as kept:
        kept.save(sample_review(1, hostile=True))
    ended = command("recheck", "latest", "--source", "127.0.0.1", "--no-plugins", *store)
    assert ended.status == 3
    assert not {"\x1b", "\x07", "\u202e", "\x9b"} & set(ended.out + ended.err)
