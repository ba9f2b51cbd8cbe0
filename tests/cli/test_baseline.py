"""`hardenprobe baseline show` and `lint`: every value with its place, every fault with its line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.baseline import baseline
from hardenprobe.plugins import registry
from hardenprobe.standards.rule_files import shipped_baselines

Command = Callable[..., Any]
CHECKS = registry.load(plugins=False)
BASE = """\
baseline: "base/1"
extends: "office-device"
title: "t"
dated: "2026-01-01"
sources: ["s"]
gentleness: {pause: 0.5}
"""


def test_show_says_where_each_value_came_from(command: Command, tmp_path: Path) -> None:
    (tmp_path / "base.yaml").write_text(BASE)
    file = tmp_path / "ours.yaml"
    file.write_text(
        'baseline: "ours/1"\nextends: "base.yaml"\nexpect:\n  clock-skew: {seconds: 60}\n'
        '  tls-weak-cipher:\n    fail_on: "should-not"\n'
    )
    ended = command("baseline", "show", file, "--no-plugins")
    assert (ended.status, ended.err) == (0, "")
    assert "extends base, which extends office-device" in ended.out
    shown = dict(line.split(": ", 1) for line in ended.out.splitlines() if ": " in line)

    def where(key: str) -> str:
        return " ".join(shown[key].split())

    assert where("expect.clock-skew.seconds") == f"60 ({file}:4)"
    assert where("expect.tls-weak-cipher.fail_on") == f'"should-not" ({file}:6)'
    assert where("gentleness.pause") == f"0.5 ({tmp_path / 'base.yaml'}:6)"
    lines = shipped_baselines()["office-device"].read_text().splitlines()
    connect = next(n for n, line in enumerate(lines, 1) if line.strip().startswith("connect:"))
    assert where("gentleness.connect") == f"2.0 (office-device.yaml:{connect})"
    assert where("must_determine") == "[] (hardenprobe's default)"
    found = baseline.load(str(file), CHECKS)
    for check, settings in found.settings.items():
        assert check in ended.out
        assert all(f"expect.{check}.{field.name}" in shown for field in fields(settings))


def test_show_names_what_is_not_selected(command: Command, tmp_path: Path) -> None:
    file = tmp_path / "alone.yaml"
    file.write_text(
        BASE.replace('extends: "office-device"\n', "ports: {tcp: [80]}\nsnmp: {default_communities: []}\n")
    )
    ended = command("baseline", "show", file, "--no-plugins")
    left_out = next(line for line in ended.out.splitlines() if line.startswith("not selected"))
    assert "clock-skew" in left_out and "cleartext-telnet" not in left_out


def test_show_of_a_hostile_file_writes_no_escapes(command: Command, tmp_path: Path) -> None:
    file = tmp_path / "ours.yaml"
    file.write_text(BASE.replace('"t"', '"\\e]0;owned\\a"'))
    ended = command("baseline", "show", file, "--no-plugins")
    assert ended.status == 0 and "owned" in ended.out and "\x1b" not in ended.out


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        pytest.param('dated: "soon"', 4, "dated is 'soon'; write year, month and day", id="no date"),
        pytest.param(
            'must_determine: ["tls-heartbleed"]', 7, "needs reach strain, which a scan has only by grant", id="reach"
        ),
        pytest.param(
            "expect: {unexpected-service: {allowed_tcp: [443, 4711]}}",
            7,
            "TCP port 4711 is allowed and never scanned; add it to ports.tcp",
            id="allowed and never asked",
        ),
        pytest.param(
            'allowed_services: ["mdns", "raw-print"]',
            7,
            "raw-print is allowed here and forbidden by unexpected-service",
            id="allowed and forbidden",
        ),
        pytest.param(
            'expect: {segment-reach: {segments: [{name: "g", networks: ["192.0.2.0/24"], forbidden: ["ipp"], needed: ["ipp"]}]}}',
            7,
            "segment 'g' both forbids and needs ipp",
            id="forbidden and needed",
        ),
        pytest.param(
            'expect: {segment-reach: {segments: [{name: "g", networks: ["192.0.2.0/24"], needed: ["telnet"]}]}}',
            7,
            "needs telnet, which unexpected-service forbids; add one of 23",
            id="needed and not allowed",
        ),
        pytest.param(
            'expect: {segment-reach: {segments: [{name: "a", networks: ["192.0.2.0/24"], needed: ["ipp"]},'
            ' {name: "b", networks: ["192.0.2.128/25"], needed: ["ipp"]}]}}',
            7,
            "segment 'b' lies inside those above it",
            id="a segment that is never ours",
        ),
        pytest.param(
            "expect: {tls-certificate-dates: {ending_days: 900}}",
            7,
            "ending_days is 900 and the longest lifetime 825 days",
            id="thresholds that exclude each other",
        ),
        pytest.param(
            "expect: {tls-certificate-lifetime: {max_days: 20}}",
            7,
            "ending_days is 30 and the longest lifetime 20 days",
            id="the inherited threshold excludes it",
        ),
        pytest.param("gentleness: {connections: 20}", 6, "gentleness.connections is 20", id="ceiling of connections"),
        pytest.param("gentleness: {seconds: 5}", 6, "gentleness.seconds is 5, no more than", id="ceiling of seconds"),
        pytest.param(
            'expect: {firmware-below-floor: {floors: [{model: "K2", floor: "5"}, {model: "K2", floor: "6"}]}}',
            7,
            "model 'K2' has a floor for its firmware already: 5",
            id="two floors",
        ),
        pytest.param(
            'expect: {segment-reach: {segments: [{name: "g", networks: ["192.0.2.0/24"]}]}}',
            7,
            "segment 'g' forbids nothing and needs nothing",
            id="a segment without a policy",
        ),
        pytest.param(
            'expect: {segment-reach: {segments: [{name: "g", networks: [], needed: ["ipp"]}]}}',
            7,
            "segment 'g' names no network",
            id="a segment without a network",
        ),
        pytest.param(
            'web: {settings_pages: [{path: "/a", marker: " "}]}', 7, "marker is empty", id="a marker of every page"
        ),
        pytest.param("sources: []", 5, "sources names nothing; name the policy", id="no source"),
        pytest.param("for: []", 7, "for names no kind of device", id="meant for nobody"),
        pytest.param('title: " "', 3, "title is empty", id="no title"),
        pytest.param(
            "exceptions: {longest_days: {high: 91}}",
            7,
            "exceptions.longest_days gives high 91 days and medium only 90; a graver finding may wait no longer",
            id="a graver risk is accepted for longer",
        ),
        pytest.param(
            "due_days: {low: 60}", 7, "due_days gives medium 90 days and low only 60", id="a graver finding is due later"
        ),
        pytest.param("expect: {clok-skew: {seconds: 60}}", 7, "did you mean 'clock-skew'?", id="misspelt id"),
        pytest.param("expect: {clock-skew: {second: 60}}", 7, "did you mean 'seconds'?", id="misspelt key"),
        pytest.param("expect: {clock-skew: {seconds: 0}}", 7, "greater than or equal to 1", id="out of range"),
    ],
)  # fmt: skip
def test_lint_says_what_and_where_and_how_to_mend_it(
    command: Command, tmp_path: Path, text: str, line: int, says: str
) -> None:
    file = tmp_path / "ours.yaml"
    key = text.partition(":")[0]
    kept = [one for one in BASE.splitlines() if not one.startswith(f"{key}:")]
    kept.insert(line - 1, text)
    file.write_text("\n".join(kept) + "\n")
    ended = command("baseline", "lint", file, "--no-plugins")
    assert (ended.status, ended.err) == (2, "")
    assert ended.out.startswith(f"{file}:{line}: "), ended.out
    assert says in ended.out
    assert len(ended.out.splitlines()) == 1


def test_lint_finds_a_check_that_must_be_determined_and_is_not_selected(
    command: Command, tmp_path: Path
) -> None:
    file = tmp_path / "alone.yaml"
    file.write_text(
        'baseline: "a/1"\ntitle: "t"\ndated: "2026-01-01"\nsources: ["s"]\nports: {tcp: [80]}\n'
        'snmp: {default_communities: []}\nmust_determine: ["clock-skew"]\n'
    )
    ended = command("baseline", "lint", file, "--no-plugins")
    assert ended.status == 2
    assert (
        ended.out
        == f"{file}:7: clock-skew must be determined and is not selected; give its settings under `expect`\n"
    )


def test_lint_finds_everything_at_once_and_says_an_inherited_fault_of_its_own_file(
    command: Command, tmp_path: Path
) -> None:
    base, file = tmp_path / "base.yaml", tmp_path / "ours.yaml"
    base.write_text(BASE + "expect: {clock-skew: {seconds: 450}}\n")
    file.write_text(
        'extends: "base.yaml"\nbaseline: "ours/1"\nfor: ["printr"]\nmust_determine: ["clok-skew"]\n'
    )
    ended = command("baseline", "lint", file, "--no-plugins")
    assert ended.status == 2
    places = [line.split(": ")[0] for line in ended.out.splitlines()]
    assert places == [f"{file}:4", f"{file}:3", f"{base}:7"]


@pytest.mark.parametrize("text", ["baseline: [", 'extends: "none.yaml"', "- a"])
def test_lint_ends_with_2_where_a_file_cannot_be_read(command: Command, tmp_path: Path, text: str) -> None:
    file = tmp_path / "ours.yaml"
    file.write_text(text + "\n")
    ended = command("baseline", "lint", file, "--no-plugins")
    assert (ended.status, ended.out) == (2, "")
    assert f"{file}:" in ended.err
