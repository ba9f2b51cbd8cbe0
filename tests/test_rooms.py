"""What a room exports is what others use: its `__all__`, names where it imports them, else its modules."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest

import hardenprobe

ROOT = Path(hardenprobe.__file__).resolve().parent
# Read by name or run; and what authors of checks see, which tests/golden freezes.
FREE = {"checks", "demo_lab", "templates", "baselines", "cli", "facts", "testing"}
ROOMS = sorted(path.parent.name for path in ROOT.glob("*/__init__.py") if path.parent.name not in FREE)
FILES = [path for path in ROOT.rglob("*.py") if path.is_file()]


def exported(room: str) -> set[str] | None:
    """The names of a room's `__all__`, None where it has none."""
    for node in ast.parse((ROOT / room / "__init__.py").read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return set(ast.literal_eval(node.value))
    return None


@cache
def imported() -> frozenset[tuple[str, str, str]]:
    """Room, name in it, and who imports it, for every import from another room."""
    found = set()
    for path in FILES:
        own = path.relative_to(ROOT).parts[0]
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.ImportFrom) or not (node.module or "").startswith("hardenprobe."):
                continue
            _, room, *rest = (node.module or "").split(".")
            names = rest[:1] or [alias.name for alias in node.names]
            found |= {(room, name, own) for name in names if room != own}
    return frozenset(found)


def used(room: str) -> set[str]:
    return {name for there, name, _ in imported() if there == room}


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_exports_what_others_use_and_nothing_else(room: str) -> None:
    there = exported(room)
    assert there is not None, f"{room}/__init__.py has no __all__"
    modules = {path.stem for path in (ROOT / room).iterdir() if path.suffix == ".py" or path.is_dir()}
    doors = {name for name in there if name in modules}
    assert used(room) - there == set(), "imported elsewhere and not exported"
    assert doors - used(room) == set(), "exported and imported nowhere else"
