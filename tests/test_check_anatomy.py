"""Every check module is built alike, so that one can be read, tried and added without looking at another."""

from __future__ import annotations

import ast
from dataclasses import fields
from importlib import import_module
from pathlib import Path

import pytest

import hardenprobe.checks
import hardenprobe.probes
from hardenprobe.check import HEADINGS, Check
from hardenprobe.facts import KINDS
from hardenprobe.records import Remedy
from hardenprobe.scoring import score

FOLDER = Path(hardenprobe.checks.__path__[0])
MODULES = sorted(p.stem for p in FOLDER.glob("*.py") if p.stem != "__init__")
PROBES = sorted(Path(hardenprobe.probes.__path__[0]).glob("*.py"))
MOST_LINES = 130
# Whoever talks to the network or to a library that does; a check has no business with either.
FORBIDDEN = {"socket", "asyncio", "ssl", "scapy", "pysnmp", "sslyze", "httpx", "httpcore", "random", "time"}


def module(name: str) -> tuple[Check[object], str]:
    return import_module(f"hardenprobe.checks.{name}").CHECK, (FOLDER / f"{name}.py").read_text()


def imports(source: str) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative import"
            found.add(node.module or "")
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def test_there_are_checks() -> None:
    assert len(MODULES) >= 13


@pytest.mark.parametrize("name", MODULES)
def test_id_is_the_file_name(name: str) -> None:
    check, _ = module(name)
    assert check.id == name.replace("_", "-")


@pytest.mark.parametrize("name", MODULES)
def test_docstring_is_the_documentation(name: str) -> None:
    check, _ = module(name)
    assert tuple(check.sections) == ("", *HEADINGS)
    assert all(check.sections.values())
    assert check.title and "\n" not in check.title
    assert check.references and all(check.references)
    stated = check.sections["Reach"]
    assert stated.startswith(str(check.reach or "none")), (
        f"the docstring says {stated!r}, CHECK {check.reach}"
    )


@pytest.mark.parametrize("name", MODULES)
def test_vectors_are_ccss_base_vectors(name: str) -> None:
    check, _ = module(name)
    for vector in check.vectors.values():
        scores = score(vector)
        assert scores.base > 0
        assert (scores.temporal, scores.environmental) == (None, None)


@pytest.mark.parametrize("name", MODULES)
def test_remedy_is_complete(name: str) -> None:
    check, _ = module(name)
    remedy = check.remedy
    for field in fields(Remedy):
        if field.name not in ("after", "general"):
            assert getattr(remedy, field.name), f"{remedy.id} has no {field.name}"
    assert all(step.strip() for step in remedy.steps)
    known = {module(other)[0].remedy.id for other in MODULES}
    assert set(remedy.after) <= known, "a remedy waits for one that no check names"


def test_a_remedy_id_names_one_remedy() -> None:
    by_id: dict[str, Remedy] = {}
    for name in MODULES:
        remedy = module(name)[0].remedy
        assert by_id.setdefault(remedy.id, remedy) == remedy


@pytest.mark.parametrize("name", MODULES)
def test_controls_and_facts_are_named(name: str) -> None:
    check, _ = module(name)
    assert check.controls
    assert check.reads
    assert all(KINDS[facts.kind] is facts for facts in check.reads)


@pytest.mark.parametrize("name", MODULES)
def test_nothing_of_the_network_is_imported(name: str) -> None:
    found = imports(module(name)[1])
    roots = {one.split(".")[0] for one in found}
    assert not roots & FORBIDDEN
    assert not {one for one in found if one.startswith(("hardenprobe.probes", "hardenprobe.link"))}
    others = {one for one in found if one.startswith("hardenprobe.checks")}
    assert not others, "a check never imports another"


@pytest.mark.parametrize("file", PROBES, ids=[p.stem for p in PROBES])
def test_a_probe_imports_no_check(file: Path) -> None:
    found = imports(file.read_text())
    assert not {one for one in found if one.startswith(("hardenprobe.check", "hardenprobe.judge"))}


@pytest.mark.parametrize("name", MODULES)
def test_it_is_short(name: str) -> None:
    assert module(name)[1].count("\n") < MOST_LINES


@pytest.mark.parametrize("name", MODULES)
def test_it_has_a_test_of_its_own(name: str) -> None:
    assert (Path(__file__).parent / "checks" / f"test_{name}.py").is_file()
