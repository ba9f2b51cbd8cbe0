"""What others write down: names to import, ids of checks, the header of a table, entry points, commands.

How to change one of them on purpose is said in conftest.py.
"""

from __future__ import annotations

import inspect
import json
import tomllib
from collections.abc import Callable, Iterator
from importlib.metadata import distribution
from pathlib import Path
from typing import Any

import click
import pytest

import hardenprobe
from hardenprobe import cli, testing
from hardenprobe.testing import fixtures

Golden = Callable[[str, bytes], None]
Command = Callable[..., Any]


def plain(value: object) -> bytes:
    return (json.dumps(value, indent=1, ensure_ascii=False) + "\n").encode()


def kinds(room: Any, names: list[str]) -> dict[str, str]:
    """What each name stands for; importing it is part of the promise."""

    def kind(value: object) -> str:
        if inspect.isclass(value):
            return "exception" if issubclass(value, BaseException) else "class"
        if inspect.iscoroutinefunction(value):
            return "coroutine function"
        return "function" if callable(value) else type(value).__name__

    return {name: kind(getattr(room, name)) for name in sorted(names)}


@pytest.mark.filterwarnings("ignore:hardenprobe:DeprecationWarning")  # of names that go away
def test_names_to_import(golden: Golden) -> None:
    fixture = type(fixtures.replay)
    named = [name for name, value in vars(fixtures).items() if isinstance(value, fixture)]
    golden("names.json", plain({
        "hardenprobe": kinds(hardenprobe, hardenprobe.__all__),
        "hardenprobe.testing": kinds(testing, testing.__all__),
        "hardenprobe.testing.fixtures": sorted(name for name in named if not name.startswith("_")),
    }))  # fmt: skip


def test_checks_and_their_versions(golden: Golden) -> None:
    judged = hardenprobe.judge(testing.sample_review(1), plugins=False)
    golden("checks.json", plain({note.id: note.version for note in judged.checks}))


def test_header_of_the_table(golden: Golden, command: Command, store: Path, tmp_path: Path) -> None:
    file = tmp_path / "results.csv"
    assert command("report", "20260302", "--format", "csv", "-o", file, "--store", store).status == 0
    golden("header.csv", file.read_bytes().partition(b"\r\n")[0] + b"\n")


def pages(found: click.Command, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Every command and group, as the words that lead to it."""
    yield path
    if isinstance(found, click.Group):
        context = click.Context(found)
        for name in found.list_commands(context):
            inner = found.get_command(context, name)
            assert inner is not None
            yield from pages(inner, (*path, name))


def test_help_of_every_command(golden: Golden, command: Command) -> None:
    said = []
    for path in pages(cli.cli):
        ended = command(*path, "--help")
        assert (ended.status, ended.err) == (0, ""), path
        said.append(f"$ {' '.join(('hardenprobe', *path, '--help'))}\n{ended.out}")
    golden("help.txt", "\n".join(said).encode())


def test_the_program_that_is_installed() -> None:
    scripts = distribution("hardenprobe").entry_points.select(group="console_scripts")
    assert {one.name: one.value for one in scripts} == {"hardenprobe": "hardenprobe.cli:main"}
    assert callable(cli.main)


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A package that names something of each group; nothing of it is there, so each is told of when it is asked for."""
    info = tmp_path / "site" / "site_rules-2.1.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: site-rules\nVersion: 2.1\n")
    groups = {"checks": "site-check", "probes": "site-probe", "services": "site-service"}
    lines = [f"[hardenprobe.{group}]\n{name} = not_there_{group}:IT\n" for group, name in groups.items()]
    (info / "entry_points.txt").write_text("".join(lines))
    monkeypatch.syspath_prepend(str(info.parent))
    monkeypatch.setenv("PYTHONPATH", str(info.parent))  # the lab is a process of its own


def test_groups_of_checks_and_probes(command: Command, installed: None) -> None:
    listed = command("checks", "list")
    assert listed.status == 0
    for group in ("checks", "probes"):
        assert f"not_there_{group}" in listed.err
    assert "not_there" not in command("checks", "list", "--no-plugins").err


def test_group_of_services(command: Command, installed: None, tmp_path: Path) -> None:
    inventory = tmp_path / "devices.yaml"
    inventory.write_text(
        'inventory: "hardenprobe.inventory/1"\ndevices:\n'
        '  - asset_tag: "T-0001"\n    kind: "printer"\n    addresses: ["127.78.0.1"]\n'
        '    lab:\n      model: "Printer, series T"\n      services:\n        - {speaks: "site-service"}\n'
    )
    started = command("lab", "start", "--inventory", inventory)
    assert started.status == 2
    assert "not_there_services" in started.err


def test_groups_that_a_new_plug_in_names(command: Command, tmp_path: Path) -> None:
    assert command("checks", "new", "ident-answers", "--package", "-o", tmp_path).status == 0
    written = tomllib.loads((tmp_path / "ident-answers" / "pyproject.toml").read_text())
    assert set(written["project"]["entry-points"]) == {
        "hardenprobe.checks", "hardenprobe.probes", "hardenprobe.services",
    }  # fmt: skip
