"""`hardenprobe init`: files that a scan takes as they are, and never over somebody's own."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.baseline import baseline
from hardenprobe.baseline.selection import choose
from hardenprobe.devices import inventory
from hardenprobe.devkit import starter_files
from hardenprobe.plugins import registry

Command = Callable[..., Any]


def test_what_it_writes_passes_lint_and_a_dry_run(command: Command, tmp_path: Path) -> None:
    folder = tmp_path / "new" / "site"
    ended = command("init", folder)
    assert ended.status == 0
    assert ended.out.splitlines() == [f"wrote {folder / name}" for name in starter_files.NAMES]
    assert "hardenprobe scope lint" in ended.err
    for path in folder.iterdir():
        text = path.read_text(encoding="utf-8")
        assert "$" not in text and max(map(len, text.splitlines())) <= 125
        assert sum(line.lstrip().startswith("#") for line in text.splitlines()) > 5

    scope, listed, ours = (folder / name for name in starter_files.NAMES)
    untouched = command("scope", "lint", scope)
    assert (untouched.status, untouched.out) == (2, "")
    for line, key in ((4, "name"), (7, "authorised_by"), (18, "contacts")):
        assert f"{scope}:{line}: {key} is still " in untouched.err
    assert command("baseline", "lint", ours).status == 2
    assert f"{ours}:5: baseline is still 'example-site/1' of the template; write your own" in (
        command("baseline", "lint", ours).out
    )
    for path in (scope, listed, ours):
        text = path.read_text(encoding="utf-8").replace("example-site", "harbour")
        path.write_text(re.sub(r"WRITE [^\"]*", "Harbour office, change 7", text), encoding="utf-8")

    looked = command("scope", "lint", scope)
    assert looked.status == 0 and "192.0.2.0/26" in looked.out and "no scan may run" not in looked.out
    assert command("baseline", "lint", ours).out == f"{ours}: nothing to fix\n"
    planned = command("scan", "192.0.2.0/26", "--scope", scope, "--inventory", listed, "--dry-run")
    assert planned.status == 0, planned.err
    # One is excluded, and more where one of our own links has these addresses.
    assert re.search(r"targets +192\.0\.2\.0/26: 6[0-3] addresses", planned.out)

    known = inventory.load(listed)
    choice = choose(known.baselines, registry.load(plugins=False))
    assert {one.name for one in choice.baselines.values()} == {"harbour/1", "office-device-strict/1"}
    assert baseline.load(str(ours), registry.load(plugins=False)).extends


@pytest.mark.parametrize("name", starter_files.NAMES)
def test_it_overwrites_nothing_and_writes_nothing_beside_it(
    command: Command, tmp_path: Path, name: str
) -> None:
    (tmp_path / name).write_text("mine")
    ended = command("init", tmp_path)
    assert (ended.status, ended.out) == (2, "")
    assert f"{tmp_path} has {name} already; nothing is overwritten" in ended.err
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [(name, "mine")]


def test_a_link_that_leads_nowhere_is_left_alone(command: Command, tmp_path: Path) -> None:
    (tmp_path / "scope.yaml").symlink_to(tmp_path / "elsewhere")
    assert command("init", tmp_path).status == 2
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_cannot_be_written_is_said(command: Command, tmp_path: Path) -> None:
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    ended = command("init", tmp_path / "new")
    tmp_path.chmod(stat.S_IRWXU)
    assert ended.status == 2 and "cannot be written: Permission denied" in ended.err


def test_a_file_in_the_place_of_the_folder_is_said(command: Command, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    assert command("init", tmp_path / "file").status == 2
    ended = command("init", tmp_path / "file" / "below")
    assert ended.status == 2 and "cannot be written: Not a directory" in ended.err
