"""hardenprobe/handbook/ says what the code says."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from hardenprobe.cli import reference
from hardenprobe.model import Endpoint, Observation, Reach, Reason, State, Word
from hardenprobe.model.document import facts_kinds
from hardenprobe.plugins import registry
from hardenprobe.testing import fixtures

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


def test_authors_find_every_word_they_may_say_and_every_fixture() -> None:
    page = PAGES["authors.md"]
    for words in (Word, Reason, State, Reach):
        for name, word in words.__members__.items():
            assert f'- `{words.__name__}.{name}` ("{word}"): ' in page
    for record in (Observation, Endpoint):
        assert f"\n### {record.__name__}\n" in page
        for field in fields(record):
            assert f"\n| `{field.name}` |" in page
    defined = [name for name, one in vars(fixtures).items() if type(one) is type(fixtures.replay)]
    assert all(f"\n- `{name}`: " in page for name in defined) and "replay" in defined


def test_the_pages_name_no_place_of_this_machine() -> None:
    for path in reference.FOLDER.iterdir():
        assert str(Path.home()) not in path.read_text() and "/tmp/" not in path.read_text()
