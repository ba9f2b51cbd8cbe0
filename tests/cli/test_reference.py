"""hardenprobe/handbook/ says what the code says."""

from __future__ import annotations

from pathlib import Path

import pytest

from hardenprobe.cli import reference
from hardenprobe.model.document import facts_kinds
from hardenprobe.plugins import registry

PAGES = reference.pages()


@pytest.mark.parametrize("name", sorted(PAGES))
def test_a_page_is_as_the_code_has_it(name: str) -> None:
    assert (reference.FOLDER / name).read_text(encoding="utf-8") == PAGES[name], (
        "stale: run `python -m hardenprobe.cli.reference`"
    )


def test_every_check_kind_and_command_has_its_place() -> None:
    for id in registry.load(plugins=False).checks:
        assert f"\n## {id}\n" in PAGES["checks.md"]
    for kind, facts in facts_kinds().items():
        if facts.__module__.startswith("hardenprobe.facts"):
            assert f"\n## {kind}\n" in PAGES["observations.md"]
    for command in ("scan", "checks try", "lab start", "baseline lint"):
        assert f"\n## hardenprobe {command}\n" in PAGES["command-line.md"]


def test_the_pages_name_no_place_of_this_machine() -> None:
    for path in reference.FOLDER.iterdir():
        assert str(Path.home()) not in path.read_text() and "/tmp/" not in path.read_text()
