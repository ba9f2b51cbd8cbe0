"""`hardenprobe scan`: how it ends, what it prints where, and what it keeps. Every device here is a real one."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from support.offset import OFFSET

ROOT = Path(__file__).parents[2]
TELNET = b"\xff\xfb\x01login: "
SSH = b"SSH-2.0-thing\r\n"
Command = Callable[..., Any]
Make = Callable[[dict[int, bytes]], Any]


def stored(command: Command, store: list[str]) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(command("reviews", "--json", *store).out)
    return found


# --- how it ends


@pytest.mark.slow
def test_clean_device_ends_with_0(command: Command, device: Make, store: list[str]) -> None:
    clean = device({22: SSH})
    ended = command("scan", *clean.arguments, "--only", "cleartext-telnet", *store)
    assert ended.status == 0
    assert "incomplete" not in ended.err
    assert stored(command, store)[0]["findings"] == 0


def test_finding_ends_with_1(command: Command, device: Make, store: list[str]) -> None:
    open_device = device({23: TELNET})
    ended = command("scan", *open_device.arguments, "--only", "cleartext-telnet", *store)
    assert ended.status == 1
    assert open_device.address in ended.out
    (kept,) = stored(command, store)
    assert (kept["devices"], kept["findings"], kept["intact"]) == (1, 1, True)
    assert kept["id"] in ended.err
    assert open_device.received == b""


@pytest.mark.slow
def test_empty_range_ends_with_3(command: Command, device: Make, store: list[str]) -> None:
    ended = command("scan", "127.99.99.0/30", *device({}).arguments[1:], *store)
    assert ended.status == 3
    assert "incomplete: no device answered" in ended.err
    assert "No remediation" not in ended.out and "Every result" not in ended.out, "nothing was assessed"
    assert len(stored(command, store)) == 1


@pytest.mark.slow
def test_listed_device_that_is_not_seen_ends_with_3(
    command: Command, device: Make, store: list[str], tmp_path: Path
) -> None:
    there = device({22: SSH})
    inventory = tmp_path / "inventory.yaml"
    inventory.write_text(
        'inventory: "hardenprobe.inventory/1"\n'
        "devices:\n"
        f'  - {{asset_tag: "HO-1", addresses: ["{there.address}"]}}\n'
        '  - {asset_tag: "HO-2", addresses: ["127.99.99.9"]}\n'
    )
    options = ["--only", "cleartext-telnet", "--inventory", str(inventory), *store]
    ended = command("scan", *there.arguments, "127.99.99.9", *options)
    assert ended.status == 3
    assert "HO-2" in ended.err and "HO-1" not in ended.err

    # A scan of other addresses has not missed it.
    ended = command("scan", *there.arguments, *options)
    assert ended.status == 0
    assert "HO-2" not in ended.err


# --- what it prints where


@pytest.mark.slow
def test_standard_output_is_clean_json(command: Command, device: Make, store: list[str]) -> None:
    hostile = device({23: b"login: \x1b]0;owned\x07\xff\r\n"})
    ended = command("scan", *hostile.arguments, *store, "--json", "-")
    document = json.loads(ended.out)
    assert document["format"] == "hardenprobe.review/1"
    assert "\x1b" not in ended.out + ended.err
    assert document["review"]["id"] == stored(command, store)[0]["id"]
    (only,) = document["devices"]
    assert [a["address"] for a in only["addresses"]] == [hostile.address]


def test_json_file_beside_the_table(command: Command, device: Make, store: list[str], tmp_path: Path) -> None:
    out = tmp_path / "review.json"
    there = device({23: TELNET})
    ended = command("scan", *there.arguments, *store, "--json", out)
    assert json.loads(out.read_text(encoding="utf-8"))["format"] == "hardenprobe.review/1"
    assert there.address in ended.out


def test_json_that_cannot_be_written_loses_no_review(
    command: Command, device: Make, store: list[str], tmp_path: Path
) -> None:
    out = tmp_path / "missing" / "review.json"
    ended = command("scan", *device({23: TELNET}).arguments, *store, "--json", out)
    assert ended.status == 2
    assert str(out) in ended.err
    (kept,) = stored(command, store)
    assert kept["id"] in ended.err  # and says so
    assert command("report", kept["id"], "--format", "json", "-o", "-", *store).status == 0


def test_device_text_does_not_reach_the_terminal_raw(
    command: Command, device: Make, store: list[str]
) -> None:
    hostile = device({23: b"\x1b]0;owned\x07\x9b2J login: \r\n"})
    ended = command("scan", *hostile.arguments, *store)
    assert "\x1b]0" not in ended.out + ended.err and "\x07" not in ended.out + ended.err
    assert "\x9b" not in ended.out + ended.err


@pytest.mark.slow
def test_no_progress_where_standard_error_is_no_terminal(
    command: Command, device: Make, store: list[str]
) -> None:
    assert "scanning" not in command("scan", *device({22: SSH}).arguments, *store).err


@pytest.mark.slow
def test_loopback_outside_the_lab_is_noticed(command: Command, device: Make, store: list[str]) -> None:
    assert "tunnel" in command("scan", *device({22: SSH}).arguments, *store).err
    lab = ["127.77.99.1", *device({}).arguments[1:]]
    assert "tunnel" not in command("scan", *lab, *store).err


def test_what_is_left_out_is_named_in_the_review(command: Command, device: Make, store: list[str]) -> None:
    options = ["--except", "cleartext-telnet", "--json", "-"]
    document = json.loads(command("scan", *device({23: TELNET}).arguments, *options, *store).out)
    words = {r["check"]: r["result"] for r in document["results"]}
    assert words["cleartext-telnet"] == "notselected"
    assert words["unexpected-service"] == "fail"


# --- the plan


@pytest.mark.slow
def test_dry_run_sends_nothing_and_its_hash_is_kept(
    command: Command, device: Make, store: list[str], tmp_path: Path
) -> None:
    sink = device({22: SSH, 23: TELNET})
    planned = command("scan", *sink.arguments, *store, "--dry-run")
    assert planned.status == 0
    assert sink.connections == {}
    assert not (tmp_path / "store.db").exists()
    digest = planned.out.split("SHA-256 ")[1].split(")")[0]
    assert len(digest) == 64
    document = json.loads(command("scan", *sink.arguments, *store, "--json", "-").out)
    assert document["review"]["plan_hash"] == digest
    assert sink.connections
    assert document["review"]["cost"]["connections"] <= int(
        planned.out.split("at most          ")[1].split(" connections")[0].replace(",", "")
    )
    other = command("scan", *sink.arguments, *store, "--dry-run", "--reach", "look")
    assert digest not in other.out


# --- bad input: 2, and nothing is sent


def bad(*arguments: str, says: str) -> Any:
    return pytest.param(arguments, says, id=" ".join(arguments))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        bad("127.0.0.999", says="'127.0.0.999' is no IP address"),
        bad("127.1.2", says="is no IP address"),
        bad("what is this", says="neither an address nor a name"),
        bad("127.0.0.1/33", says="no CIDR block"),
        bad("127.0.0.5/24", says="did you mean 127.0.0.0/24"),
        bad("127.0.0.9-127.0.0.1", says="ends before it begins"),
        bad("::1-127.0.0.1", says="mixes IPv4 and IPv6"),
        bad("fd00::/64", says="wider than a /112"),
        bad("@missing.txt", says="missing.txt"),
        bad("printer.invalid", says="does not resolve"),
        bad("192.0.2.1", says="needs a scope file"),
        bad("127.0.0.1", "192.0.2.0/24", says="needs a scope file"),
        bad("2001:db8::1", says="needs a scope file"),
        bad("127.0.0.1", "--ports", "0", says="1 to 65535"),
        bad("127.0.0.1", "--ports", "65536", says="1 to 65535"),
        bad("127.0.0.1", "--ports", "9-1", says="lower one first"),
        bad("127.0.0.1", "--ports", "telnet", says="expected numbers"),
        bad("127.0.0.1", "--ports", "", says="expected numbers"),
        bad("127.0.0.1", "--ports", "60000", "--port-offset", "20000", says="beyond 65535"),
        bad("127.0.0.1", "--only", "cleartext-telent", says="did you mean cleartext-telnet"),
        bad("127.0.0.1", "--except", "xyz", says="hardenprobe checks list"),
        bad("127.0.0.1", "--baseline", "ofice-device", says="office-device"),
        bad("127.0.0.1", "--reach", "further", says="look"),
        bad("127.0.0.1", "--source", "192.0.2.7", says="no address of this machine"),
        bad("127.0.0.1", "--source", "me", says="no IP address"),
        bad("127.0.0.1", "--vantage", "a", "--vantage", "b", says="2 --vantage for 1 --source"),
        bad(
            "127.0.0.1", "--source", "127.0.0.1", "--source", "127.0.0.2", "--vantage", "a", "--vantage", "a",
            says="same name",
        ),
        bad("127.0.0.1", "--inventory", "missing.yaml", says="missing.yaml"),
        bad("127.0.0.1", "--scope", "missing.yaml", says="missing.yaml"),
        bad("127.0.0.1", "--trust-anchor", "missing.pem", says="missing.pem"),
    ],
)  # fmt: skip
def test_bad_input(
    command: Command,
    store: list[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    arguments: tuple[str, ...],
    says: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = command("scan", *arguments, *store)
    assert (ended.status, ended.out) == (2, "")
    assert says in " ".join(ended.err.split())
    assert not (tmp_path / "store.db").exists()


BASELINE = (ROOT / "baselines" / "office-device.yaml").read_text(encoding="utf-8")
INVENTORY = 'inventory: "hardenprobe.inventory/1"\ndevices:\n'
SCOPE = (
    'scope: "hardenprobe.scope/1"\nname: "ours"\nauthorised_by: "Imke Sandvoort"\nnetworks: ["127.0.0.0/8"]\n'
)


def _line_of(text: str, part: str) -> int:
    return next(n for n, line in enumerate(text.splitlines(), 1) if part in line)


BAD_FILES = {
    "misspelt baseline key": ("--baseline", BASELINE.replace("communities:", "comunities:"), "comunities", "default_communities"),
    "baseline with an unknown check": ("--baseline", BASELINE.replace("unexpected-service:", "unexpected-servcie:"), "unexpected-servcie", "unexpected-service"),
    "baseline port out of range": ("--baseline", re.sub(r"(?m)^  udp: .*", "  udp: [70000]", BASELINE), "udp: [70000]", "not 1 to 65535"),
    "repeated key": ("--baseline", BASELINE + 'title: "again"\n', 'title: "again"', "repeated"),
    "no YAML": ("--scope", SCOPE + "exclude: [\n", None, ""),
    "duplicate address": (
        "--inventory",
        INVENTORY
        + '  - asset_tag: "HO-1"\n    addresses: ["127.0.0.1"]\n'
        + '  - asset_tag: "HO-2"\n    addresses:\n      - "127.0.0.7"\n      - "127.0.0.1"  # again\n',
        "# again",
        "belongs to 'HO-1' already",
    ),
    "inventory of another format": ("--inventory", 'inventory: "mine/1"\ndevices: []\n', "mine/1", "hardenprobe.inventory/1"),
    "scope without an authority": ("--scope", SCOPE.replace("Imke Sandvoort", " "), "authorised_by", "who authorised"),
    "scope with host bits": ("--scope", SCOPE.replace("127.0.0.0/8", "127.0.0.1/8"), "networks", "did you mean 127.0.0.0/8"),
}  # fmt: skip


@pytest.mark.parametrize(("option", "text", "part", "says"), BAD_FILES.values(), ids=BAD_FILES)
def test_bad_file_is_named_with_its_line(
    command: Command, store: list[str], tmp_path: Path, option: str, text: str, part: str | None, says: str
) -> None:
    file = tmp_path / "bad.yaml"
    file.write_text(text, encoding="utf-8")
    ended = command("scan", "127.0.0.1", option, file, *store)
    assert (ended.status, ended.out) == (2, "")
    assert f"{file}:{_line_of(text, part)}: " in ended.err if part else str(file) in ended.err
    assert says in ended.err


def test_bad_line_of_a_target_file(command: Command, store: list[str], tmp_path: Path) -> None:
    file = tmp_path / "targets.txt"
    file.write_text("127.0.0.1\n# nothing here\n127.0.0.5/24\n")
    ended = command("scan", f"@{file}", *store)
    assert ended.status == 2
    assert f"{file}:3: " in ended.err
    file.write_text("# nobody\n")
    assert command("scan", f"@{file}", *store).status == 2


def test_scope_that_does_not_grant_it(
    command: Command, device: Make, store: list[str], tmp_path: Path
) -> None:
    there = device({23: TELNET})
    now = datetime.now(UTC)
    stop = tmp_path / "stop"
    stop.touch()
    closed = (
        f'window: {{first: "{now - timedelta(hours=2):%H:%M}", last: "{now - timedelta(hours=1):%H:%M}"}}\n'
    )
    for more, says in (
        (closed, "closed now"),
        ('until: "2020-01-01"\n', "ended on 2020-01-01"),
        (f'stop_file: "{stop}"\n', "stop file"),
        ('reach: "look"\n', "reach ask is not granted"),
        (f'exclude: ["{there.address}"]\n', "excluded"),
        ('sources: ["127.0.0.99"]\n', "none of the testers' addresses"),
    ):
        file = tmp_path / "scope.yaml"
        file.write_text(SCOPE + more)
        ended = command("scan", *there.arguments, "--scope", file, *store)
        assert (ended.status, says in ended.err) == (2, True), (says, ended.err)
    assert there.connections == {}


def test_database_of_another_program_is_refused_before_the_scan(
    command: Command, device: Make, tmp_path: Path
) -> None:
    there = device({23: TELNET})
    theirs = tmp_path / "theirs.db"
    with contextlib.closing(sqlite3.connect(theirs)) as db, db:
        db.execute("create table customers (name text)")
    before = theirs.read_bytes()
    ended = command("scan", *there.arguments, "--store", theirs)
    assert ended.status == 2
    assert "belongs to another program" in ended.err and str(theirs) in ended.err
    assert theirs.read_bytes() == before
    text = tmp_path / "notes.txt"
    text.write_text("no database, and long enough that nobody could take it for an empty file" * 50)
    ended = command("scan", *there.arguments, "--store", text)
    assert (ended.status, "is no database" in ended.err) == (2, True)
    assert command("scan", *there.arguments, "--store", "nonsense://x").status == 2
    assert there.connections == {}


# --- Ctrl-C


def start(tmp_path: Path, *arguments: str) -> subprocess.Popen[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    store = str(tmp_path / "store.db")
    return subprocess.Popen(
        [sys.executable, "-m", "hardenprobe", "scan", *arguments, "--store", store],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
    )


def wait_for(device: Any) -> None:
    """Until the scan has come to the device."""
    until = time.monotonic() + 20
    while not device.connections:
        assert time.monotonic() < until, "the scan never came"
        time.sleep(0.01)


@pytest.mark.slow
def test_one_interrupt_keeps_what_was_seen(
    command: Command, device: Make, store: list[str], tmp_path: Path
) -> None:
    there = device({23: TELNET})
    _, *options = there.arguments
    process = start(tmp_path, there.address, "127.77.200.0/22", *options)
    wait_for(there)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=30)
    assert process.returncode == 3, err
    assert "Traceback" not in out + err
    assert "incomplete: the scan was stopped before it was done" in err
    (kept,) = stored(command, store)
    assert kept["devices"] == 1
    document = json.loads(command("report", "latest", "--format", "json", "-o", "-", *store).out)
    assert document["coverage"]["visited"] < document["coverage"]["planned"]
    assert any("interrupted" in notice for notice in document["notices"])


@pytest.mark.slow
def test_second_interrupt_ends_at_once_without_a_traceback(device: Make, tmp_path: Path) -> None:
    """Devices that never answer would hold the first Ctrl-C for as long as they are asked."""
    there = device({23: b""})
    with contextlib.ExitStack() as stack:
        full = stack.enter_context(socket.socket())  # a full backlog: silent, twice for the connect time
        full.bind((there.address, 24 + OFFSET))
        full.listen(0)
        for _ in range(4):
            waiting = stack.enter_context(socket.socket())
            waiting.setblocking(False)
            waiting.connect_ex(full.getsockname())
        ports = ["--ports", "23,24", "--port-offset", str(OFFSET), "--no-plugins"]
        process = start(tmp_path, there.address, *ports)  # with the shipped, patient baseline
        wait_for(there)
        process.send_signal(signal.SIGINT)
        time.sleep(0.2)  # two signals at once would be one
        process.send_signal(signal.SIGINT)
        began = time.monotonic()
        out, err = process.communicate(timeout=30)
    assert process.returncode == 3, err
    assert "Traceback" not in out + err and "interrupted" in err
    assert time.monotonic() - began < 3
