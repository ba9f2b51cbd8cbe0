"""`hardenprobe scope lint`, and the plan that `scan --dry-run` prints from a scope."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

Command = Callable[..., Any]
Make = Callable[[dict[int, bytes]], Any]

SCOPE = """\
scope: "hardenprobe.scope/1"
name: "floor 3"
authorised_by: "Imke Sandvoort, change request 0417"
until: "2099-12-31"
networks: ["127.0.0.0/8"]
exclude: ["127.88.0.2", "127.88.0.8/30"]
leased: [{owner: "Harbour Leasing", agreed_by: "Jorunn Falk, letter of 2 March", networks: ["127.88.0.0/24"]}]
window: {first: "00:00", last: "23:59", zone: "Europe/Berlin"}
stop_file: "no-such-file"
reach: "strain"
grants: ["snmp-amplification"]
gentleness: {connections: 7, pause: 0.25, devices_at_once: 2, connections_per_second: 50}
contacts: {monitoring: "desk 300", abort: "duty officer 301"}
"""


@pytest.fixture
def scope(tmp_path: Path) -> Path:
    path = tmp_path / "scope.yaml"
    path.write_text(SCOPE, encoding="utf-8")
    return path


def plain(text: str) -> str:
    return " ".join(text.split())


def test_lint_says_what_a_file_allows(command: Command, scope: Path) -> None:
    ended = command("scope", "lint", scope)
    assert (ended.status, ended.err) == (0, "")
    for said in (
        "scope floor 3, authorised by Imke Sandvoort, change request 0417",
        "networks 127.0.0.0/8: 16,777,216 addresses",
        "excluded 127.88.0.2/32, 127.88.0.8/30",
        "leased 127.88.0.0/24 of Harbour Leasing, agreed by Jorunn Falk, letter of 2 March",
        "until 2099-12-31",
        "window daily, 00:00 to 23:59 Europe/Berlin",
        "stop file no-such-file",
        "sources any",
        "test level strain",
        "grants snmp-amplification",
        "connections 7, pause 0.25, devices_at_once 2, connections_per_second 50",
        "contacts desk 300",
        "abort duty officer 301",
    ):
        assert said in plain(ended.out), said


@pytest.mark.parametrize(
    ("change", "line", "says"),
    [
        (("reach:", "reech:"), 10, "did you mean 'reach'?"),
        (('"snmp-amplification"', '"tls-hartbleed"'), 11, "did you mean 'tls-heartbleed'?"),
        (("connections: 7", "connections: 0"), 12, "expected a number above 0"),
        (("connections: 7", "connections_at_once: 2"), 12, "expected 1"),
        (("Europe/Berlin", "Europe/Atlantis"), 8, "no IANA time zone"),
        (("2099-12-31", "31.12.2099"), 4, "expected a day such as"),
    ],
)
def test_lint_refuses_with_file_and_line(
    command: Command, scope: Path, change: tuple[str, str], line: int, says: str
) -> None:
    assert change[0] in SCOPE
    scope.write_text(SCOPE.replace(*change), encoding="utf-8")
    ended = command("scope", "lint", scope)
    assert (ended.status, ended.out) == (2, "")
    assert f"{scope}:{line}: " in ended.err and says in ended.err


def test_lint_says_that_no_scan_may_run_now(command: Command, scope: Path) -> None:
    scope.write_text(SCOPE.replace("2099-12-31", "2020-12-31"), encoding="utf-8")
    ended = command("scope", "lint", scope)
    assert ended.status == 0
    assert "no scan may run: the authorisation of scope 'floor 3' ended on 2020-12-31" in ended.out


def test_a_name_cannot_act_on_the_terminal(command: Command, scope: Path) -> None:
    scope.write_text(SCOPE.replace("floor 3", "\\e]0;owned\\a"), encoding="utf-8")
    for ended in (
        command("scope", "lint", scope),
        command("scan", "127.88.0.1", "--scope", scope, "--dry-run"),
    ):
        assert ended.status == 0
        assert "\x1b" not in ended.out and "\x07" not in ended.out and "owned" in ended.out


def test_the_plan_says_all_that_a_board_signs(
    command: Command, scope: Path, device: Make, store: list[str]
) -> None:
    sink = device({})
    asked = ["127.88.0.1-127.88.0.20", *sink.arguments[1:], "--scope", scope, "--reach", "strain"]
    ended = command("scan", *asked, "--vantage", "desk", "--dry-run", *store)
    assert ended.status == 0
    said = plain(ended.out)
    for part in (
        "scope floor 3, authorised by Imke Sandvoort, change request 0417",
        f"scope file SHA-256 {hashlib.sha256(SCOPE.encode()).hexdigest()}",
        "until 2099-12-31, the last day",
        "window daily, 00:00 to 23:59 Europe/Berlin",
        "no-such-file: where it appears, the scan stops",
        "monitoring team: desk 300 abort: duty officer 301",
        "leased 127.88.0.0/24 of Harbour Leasing; agreed by Jorunn Falk, letter of 2 March",
        "targets 127.88.0.1-127.88.0.20: 15 addresses",  # 20 without 1 and without 4
        "excluded 127.88.0.2/32, 127.88.0.8/30",
        "vantage points desk (127.0.0.1; the route to each target decides)",
        "test level strain; the scope authorises strain",
        "grants snmp-amplification",
        "at most 7 connections and",
        "105 connections and",  # 15 addresses, 7 each
        "50 connections and datagrams a second, 2 devices at once",
        "one connection at a time to a device, 0.25 seconds between two",
        "test level strain: snmp-amplification",
        "not run, not granted at their test level: snmp-default-community-write, snmp-known-community-write, tls-early-ccs",
    ):
        assert part in said, part


@pytest.mark.slow
def test_scope_and_hash_of_the_plan_are_stored_with_the_review(
    command: Command, scope: Path, device: Make, store: list[str], tmp_path: Path
) -> None:
    now = datetime.now(UTC)
    window = (
        f'first: "{now - timedelta(hours=2):%H:%M}", last: "{now + timedelta(hours=2):%H:%M}", zone: "UTC"'
    )
    text = SCOPE.replace('first: "00:00", last: "23:59", zone: "Europe/Berlin"', window)
    assert window in text
    scope.write_text(text, encoding="utf-8")
    sink = device({23: b"login: "})
    asked = [*sink.arguments, "--scope", scope, "--only", "cleartext-telnet"]
    planned = command("scan", *asked, "--dry-run").out
    document = json.loads(command("scan", *asked, *store, "--json", "-").out)
    head = document["review"]
    assert f"(SHA-256 {head['plan_hash']})" in planned
    said = head["authorisation"]
    assert said["file_hash"] == hashlib.sha256(text.encode()).hexdigest()
    assert (said["authorised_by"], said["abort"]) == (
        "Imke Sandvoort, change request 0417",
        ["duty officer 301"],
    )
    assert said["window"] == f"{now - timedelta(hours=2):%H:%M} to {now + timedelta(hours=2):%H:%M} UTC"
    assert said["excluded"] == ["127.88.0.2/32", "127.88.0.8/30"]
    assert (said["gentleness"]["connections"], said["gentleness"]["devices_at_once"]) == (7, 2)
    assert said["grants"] == ["snmp-amplification"]
    assert head["cost"]["connections"] <= 7
    kept = json.loads(command("report", "latest", "--format", "json", "-o", "-", *store).out)
    assert kept["review"]["authorisation"] == said
    page = tmp_path / "report.html"
    assert command("report", "latest", "--format", "html", "-o", page, *store).status == 0
    shown = page.read_text(encoding="utf-8")
    for part in (
        "Imke Sandvoort, change request 0417",
        said["file_hash"],
        "Jorunn Falk",
        "duty officer 301",
        said["window"],
    ):
        assert part in shown, part


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("change request 0417", "change request 0418"),
        ("127.88.0.8/30", "127.88.0.8/31"),
        ('"snmp-amplification"', '"snmp-amplification", "tls-heartbleed"'),
        ("connections: 7", "connections: 8"),
        ("2099-12-31", "2099-12-30"),
        ("letter of 2 March", "letter of 3 March"),
        ("desk 300", "desk 302"),
    ],
)
def test_whoever_changes_the_scope_changes_the_hash(
    command: Command, scope: Path, old: str, new: str
) -> None:
    before = command("scan", "127.88.0.1", "--scope", scope, "--dry-run").out.splitlines()[0]
    assert before == command("scan", "127.88.0.1", "--scope", scope, "--dry-run").out.splitlines()[0]
    assert old in SCOPE
    scope.write_text(SCOPE.replace(old, new), encoding="utf-8")
    after = command("scan", "127.88.0.1", "--scope", scope, "--dry-run").out.splitlines()[0]
    assert before != after


def test_a_family_without_a_source_is_noticed_and_a_source_without_a_target_refused(command: Command) -> None:
    ended = command("scan", "::1", "127.77.0.1", "--source", "127.0.0.1", "--dry-run")
    assert ended.status == 0
    assert "notice: vantage point here: no --source is of the family of ::1; the route to each" in ended.err
    ended = command("scan", "::1", "--source", "127.0.0.1", "--dry-run")
    assert ended.status == 2
    assert "--source 127.0.0.1 reaches no target: none is of its address family" in ended.err


def test_the_plan_states_what_a_name_server_is_asked(command: Command, scope: Path, tmp_path: Path) -> None:
    scope.write_text(SCOPE + 'name_server: "192.0.2.53"\n', encoding="utf-8")
    listed = tmp_path / "inventory.yaml"
    listed.write_text(
        'inventory: "hardenprobe.inventory/1"\ndevices:\n'
        '  - {asset_tag: "A", addresses: ["127.88.0.1"], names: ["a.example", "not a name", "b.example"]}\n'
        '  - {asset_tag: "B", addresses: ["127.88.1.1"], names: ["elsewhere.example"]}\n'
    )
    asked = ("scan", "127.88.0.1", "--scope", scope, "--inventory", listed, "--dry-run")
    said = plain(command(*asked).out)
    assert (
        "name server 192.0.2.53 is asked for the addresses of 2 listed names: at most 8 DNS queries to 53/udp"
        in said
    )
    without = plain(command("scan", "127.88.0.1", "--scope", scope, "--dry-run").out)
    assert "name server" not in without
