"""Baselines: loaded, resolved, and refused with the line at fault."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from hardenprobe.baseline import baseline
from hardenprobe.errors import FileInvalid, UnknownName
from hardenprobe.model.yaml_file import load_yaml
from hardenprobe.plugins import registry
from hardenprobe.standards.rule_files import shipped_baselines

CHECKS = registry.load(plugins=False)
GOOD = """\
baseline: "mine/1"
title: "Mine"
dated: "2026-11-25"
sources: ["policy"]
ports:
  tcp: [23, 80]
snmp:
  default_communities: ["public"]
expect:
  unexpected-service:
    allowed_tcp: [80]
"""
Write = Callable[[str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def written(text: str) -> Path:
        path = tmp_path / "mine.yaml"
        path.write_text(text)
        return path

    return written


@pytest.mark.parametrize("name", sorted(shipped_baselines()))
def test_every_shipped_baseline_resolves(name: str) -> None:
    found = baseline.load(name, CHECKS)
    assert set(found.settings) <= set(CHECKS.checks)
    assert found.must_determine <= set(CHECKS.checks)
    assert found.file.sources
    assert len(found.communities) <= baseline.MOST_COMMUNITIES
    assert baseline.titles()[name] == found.title


def test_the_default_baseline_asks_for_every_built_in_check() -> None:
    assert set(baseline.load(baseline.DEFAULT, CHECKS).settings) == set(CHECKS.checks)


def test_a_file(write: Write) -> None:
    path = write(GOOD)
    found = baseline.load(str(path), CHECKS)
    assert (found.name, found.source, found.tcp_ports, found.udp_ports) == (
        "mine/1",
        str(path),
        (23, 80),
        (161,),
    )
    assert found.settings["unexpected-service"] == CHECKS.get("unexpected-service").settings(
        allowed_tcp=(80,)
    )
    assert "cleartext-telnet" in found.settings  # nothing needs deciding, so it is asked for
    assert "tls-deprecated-version" not in found.settings  # somebody must choose the rule set


def test_the_hash_covers_what_is_decided_and_not_how_it_is_written(write: Write) -> None:
    first = baseline.load(str(write(GOOD)), CHECKS).hash
    assert baseline.load(str(write("# a comment\n" + GOOD.replace("[80]", "[ 80 ]"))), CHECKS).hash == first
    assert baseline.load(str(write(GOOD.replace("[80]", "[80, 443]"))), CHECKS).hash != first


@pytest.mark.parametrize(
    ("change", "line", "says"),
    [
        pytest.param(
            ("allowed_tcp:", "allowed_tpc:"), 11, "did you mean 'allowed_tcp'?", id="misspelt setting"
        ),
        pytest.param(("snmp:", "smnp:"), 7, "did you mean 'snmp'?", id="misspelt key"),
        pytest.param(
            ("unexpected-service:", "unexpected-servise:"),
            10,
            "expect names 'unexpected-servise', which is no check; did you mean 'unexpected-service'?",
            id="unknown check",
        ),
        pytest.param(
            ("unexpected-service:", "zzz:"),
            10,
            "see `hardenprobe checks list`",
            id="check that resembles nothing",
        ),
        pytest.param(
            ("expect:", 'must_determine: ["cleartext-telnt"]\nexpect:'),
            9,
            "must_determine names 'cleartext-telnt'",
            id="unknown check that must be determined",
        ),
        pytest.param(
            ("    allowed_tcp: [80]", "    {}"), 10, "the key 'allowed_tcp' is missing", id="nothing decided"
        ),
        pytest.param(("[80]", '["80"]'), 11, "allowed_tcp.0 is '80': ", id="a word for a number"),
        pytest.param(("[23, 80]", "[23, 0]"), 6, "port 0 is not 1 to 65535", id="no port"),
        pytest.param(
            ('["public"]', '["a", "b", "c", "d"]'),
            8,
            "at most 3 communities are ever tried",
            id="too many communities",
        ),
        pytest.param(('title: "Mine"', 'baseline: "x"'), 2, "is repeated", id="repeated key"),
        pytest.param(("[80]", "[80, 70000]"), 11, "less than or equal to 65535", id="a port too high"),
        pytest.param(
            ("expect:", "expect:\n  clock-skew: {seconds: 450}"),
            10,
            "less than 450",
            id="a limit out of range",
        ),
        pytest.param(
            ("expect:", 'expect:\n  firmware-below-floor: {floors: [{model: "K(", floor: "1"}]}'),
            10,
            "model is no regular expression",
            id="a pattern that is none",
        ),
        pytest.param(
            ("expect:", 'expect:\n  firmware-below-floor: {floors: [{model: "K", floor: "Rel C"}]}'),
            10,
            "the floor 'Rel C' itself cannot be read as fields",
            id="a floor that cannot be read",
        ),
        pytest.param(
            (
                "expect:",
                'expect:\n  firmware-below-floor: {floors: [{model: "K", floor: "1", version: "x"}]}',
            ),
            10,
            "version must have one group",
            id="a version without a group",
        ),
        pytest.param(
            ("expect:", 'expect:\n  segment-reach: {segments: [{name: "g", networks: [], needed: ["pp"]}]}'),
            10,
            "'pp' is no service",
            id="no service in a segment",
        ),
        pytest.param(
            ("expect:", 'for: ["printr"]\nexpect:'),
            9,
            "for names 'printr', which is no kind of device; did you mean 'printer'?",
            id="no kind",
        ),
        pytest.param(
            ("expect:", 'allowed_services: ["mDNS"]\nexpect:'),
            9,
            "allowed_services names 'mDNS', which is no service; did you mean 'mdns'?",
            id="no service",
        ),
        pytest.param(
            ("expect:", 'http_paths: ["status page"]\nexpect:'),
            9,
            "'status page' is no path",
            id="no path",
        ),
    ],
)
def test_a_wrong_file(write: Write, change: tuple[str, str], line: int, says: str) -> None:
    assert change[0] in GOOD
    path = write(GOOD.replace(*change, 1))
    with pytest.raises(FileInvalid) as caught:
        baseline.load(str(path), CHECKS)
    assert str(caught.value).startswith(f"{path}:{line}: ")
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_unknown_name_proposes_the_nearest() -> None:
    with pytest.raises(UnknownName, match="did you mean office-device?"):
        baseline.load("ofice-device", CHECKS)
    with pytest.raises(UnknownName, match="hardenprobe baseline list"):
        baseline.load("zzz", CHECKS)


@pytest.mark.parametrize("name", ["none.yaml", "./none"])
def test_a_file_that_is_not_there(name: str) -> None:
    with pytest.raises(FileInvalid, match="cannot be read: No such file"):
        baseline.load(name, CHECKS)


def test_a_baseline_overrides_what_it_extends_key_by_key(tmp_path: Path) -> None:
    file = tmp_path / "ours.yaml"
    file.write_text(
        'baseline: "ours/1"\nextends: "office-device"\ntitle: "t"\ndated: "2026-01-01"\nsources: ["s"]\n'
        'expect:\n  tls-weak-cipher: {fail_on: "should-not"}\n  unexpected-service: {allowed_tcp: [443]}\n'
    )
    ours, theirs = baseline.load(str(file), CHECKS), baseline.load(baseline.DEFAULT, CHECKS)

    assert ours.settings["unexpected-service"].allowed_tcp == (443,)
    assert ours.settings["tls-weak-cipher"].fail_on == "should-not"
    assert ours.settings["tls-weak-cipher"].rules == theirs.settings["tls-weak-cipher"].rules
    assert ours.tcp_ports == theirs.tcp_ports
    assert ours.hash != theirs.hash


def test_nested_keys_are_overridden_one_by_one_and_lists_as_a_whole(tmp_path: Path) -> None:
    (tmp_path / "base.yaml").write_text(GOOD + "gentleness: {connect: 5.0, pause: 0.5}\n")
    file = tmp_path / "ours.yaml"
    file.write_text(
        'extends: "base.yaml"\nbaseline: "ours/1"\n'
        'gentleness: {pause: 1.0}\nweb: {ipp: ["/p"]}\nports: {udp: [161, 5353]}\nsources: ["ours"]\n'
    )
    ours = baseline.load(str(file), CHECKS)

    assert (ours.timing.connect, ours.timing.pause) == (5.0, 1.0)
    assert (ours.tcp_ports, ours.udp_ports) == ((23, 80), (161, 5353))
    assert (ours.web.ipp, ours.file.sources, ours.title) == (("/p",), ("ours",), "Mine")
    assert ours.extends == (str(tmp_path / "base.yaml"),)


@pytest.mark.parametrize(
    ("below", "above", "days"),
    [
        pytest.param("high: 20, medium: 50, low: 70", "high: 10", (10, 50, 70), id="one is shortened"),
        pytest.param("medium: 50", "high: 10", (10, 50, 365), id="the third is what is meant without either"),
        pytest.param("high: 20, medium: 50, low: 70", "", (20, 50, 70), id="none is named"),
        pytest.param("high: 20", "high: 40, low: 9", (40, 90, 9), id="two are named"),
    ],
)
def test_how_long_exceptions_may_run_is_inherited_by_severity(
    tmp_path: Path, below: str, above: str, days: tuple[int, int, int]
) -> None:
    (tmp_path / "base.yaml").write_text(GOOD + f"exceptions: {{longest_days: {{{below}}}}}\n")
    (tmp_path / "middle.yaml").write_text('extends: "base.yaml"\nbaseline: "middle/1"\n')
    file = tmp_path / "ours.yaml"
    file.write_text(
        f'extends: "middle.yaml"\nbaseline: "ours/1"\nexceptions: {{longest_days: {{{above}}}}}\n'
    )
    longest = baseline.load(str(file), CHECKS).file.exceptions.longest_days

    assert (longest.high, longest.medium, longest.low) == days


def test_what_is_inherited_keeps_the_file_and_line_it_came_from(tmp_path: Path) -> None:
    base, middle, top = (tmp_path / f"{name}.yaml" for name in ("base", "middle", "top"))
    base.write_text(GOOD.replace("[23, 80]", "[23, 80, 443]"))
    middle.write_text('extends: "base.yaml"\nbaseline: "middle/1"\nports:\n  tcp: [80]\n')
    top.write_text('extends: "middle.yaml"\nbaseline: "top/1"\n')
    document = baseline.load(str(top), CHECKS).document

    assert document.place(("baseline",)) == f"{top}:2"
    assert document.place(("ports", "tcp")) == f"{middle}:4"
    assert document.place(("ports", "tcp", 0)) == f"{middle}:4"
    assert document.place(("ports", "tcp", 2)) is None, "a list is replaced as a whole"
    assert document.place(("expect", "unexpected-service", "allowed_tcp")) == f"{base}:11"
    assert document.place(("gentleness", "pause")) is None


def test_a_fault_in_what_is_inherited_is_said_of_its_own_file(tmp_path: Path) -> None:
    base = tmp_path / "base.yaml"
    base.write_text(GOOD.replace("[23, 80]", "[23, 0]"))
    file = tmp_path / "ours.yaml"
    file.write_text('extends: "base.yaml"\nbaseline: "ours/1"\n')
    with pytest.raises(FileInvalid, match="port 0 is not 1 to 65535") as caught:
        baseline.load(str(file), CHECKS)
    assert (caught.value.file, caught.value.line) == (str(base), 6)


@pytest.mark.parametrize(
    ("extends", "said"),
    [
        ("ours.yaml", "ours.yaml:2: extends 'ours.yaml' comes back to itself; take one `extends` out"),
        (
            "tls-rfc9352",
            "ours.yaml:2: there is no baseline 'tls-rfc9352'; did you mean tls-rfc9325?",
        ),
    ],
)
def test_what_cannot_be_extended_is_said_with_its_line(tmp_path: Path, extends: str, said: str) -> None:
    file = tmp_path / "ours.yaml"
    file.write_text(f'baseline: "ours/1"\nextends: "{extends}"\n')

    with pytest.raises(FileInvalid) as caught:
        baseline.load(str(file), CHECKS)
    assert str(caught.value).endswith(said)


@pytest.mark.parametrize(("files", "line"), [(6, 2), (5, None)])
def test_baselines_that_extend_one_another_too_deeply_are_refused(
    tmp_path: Path, files: int, line: int | None
) -> None:
    (tmp_path / "b0.yaml").write_text(GOOD)
    for n in range(1, files):
        (tmp_path / f"b{n}.yaml").write_text(f'baseline: "b{n}/1"\nextends: "b{n - 1}.yaml"\n')
    top = str(tmp_path / f"b{files - 1}.yaml")
    if line is None:
        assert baseline.load(top, CHECKS).tcp_ports == (23, 80)
        return
    with pytest.raises(FileInvalid, match="lies 5 files deep, at most 4 may") as caught:
        baseline.load(top, CHECKS)
    assert (Path(str(caught.value.file)).name, caught.value.line) == ("b1.yaml", line)


@pytest.mark.parametrize(
    "name", ["office-device", "office-device-strict", "small-office", "tls-rfc9325", "tls-sp800-52r2"]
)
def test_every_shipped_baseline_loads(name: str) -> None:
    assert name in shipped_baselines()
    assert baseline.load(name, CHECKS).name == f"{name}/1"


HEAD = {"baseline", "title", "dated", "extends", "sources", "for"}
SOURCE = re.compile(r"RFC \d+|NIST (SP|IR) |IANA|common practice \(no published requirement\)")


def sourced(lines: list[str], numbers: list[int]) -> bool:
    """Tell whether a source stands beside one of these lines, or in the comment right above it."""
    for number in numbers:
        above = number - 1
        while above and lines[above - 1].lstrip().startswith("#"):
            above -= 1
        said = " ".join(line.strip(" #") for line in lines[above : number - 1])
        if SOURCE.search(f"{said} {lines[number - 1].partition('#')[2]}"):
            return True
    return False


@pytest.mark.parametrize("name", sorted(shipped_baselines()))
def test_every_value_of_a_shipped_baseline_says_its_source(name: str) -> None:
    document = load_yaml(shipped_baselines()[name])
    lines = Path(document.file).read_text(encoding="utf-8").splitlines()
    inner = {spot[:-1] for spot in document.lines if spot}
    leaves = [spot for spot in document.lines if spot and spot not in inner and spot[0] not in HEAD]
    assert leaves
    bare = [
        spot
        for spot in leaves
        if not sourced(lines, [document.lines[spot[:k]] for k in range(len(spot), 0, -1)])
    ]
    assert not bare
