"""Every check module is built alike, so that one can be read, tried and added without looking at another."""

from __future__ import annotations

import ast
import re
from dataclasses import fields
from importlib import import_module
from pathlib import Path

import pytest

import hardenprobe.checks
import hardenprobe.probes
from hardenprobe.checking.check import HEADINGS, Check
from hardenprobe.demo_lab.declarations import load
from hardenprobe.demo_lab.process import INVENTORY
from hardenprobe.demo_lab.scan_lab import BOTH_FAMILIES, FAR
from hardenprobe.facts import KINDS
from hardenprobe.model import Remedy
from hardenprobe.standards.ccss import score

FOLDER = Path(hardenprobe.checks.__path__[0])
MODULES = sorted(p.stem for p in FOLDER.glob("*.py") if p.stem != "__init__")
PROBES = sorted(Path(hardenprobe.probes.__path__[0]).glob("*.py"))
MOST_LINES = 130
TRAPS = {trap.check for device in load(INVENTORY) if device.lab for trap in device.lab.traps}
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
def test_controls_are_written_as_the_publication_writes_them(name: str) -> None:
    """NIST SP 800-53 Rev. 5: family, number, and the enhancement in brackets."""
    for control in module(name)[0].controls:
        assert re.fullmatch(r"[A-Z]{2}-\d{1,2}(\(\d{1,2}\))?", control), control


@pytest.mark.parametrize("name", MODULES)
def test_every_failing_outcome_that_names_a_vector_has_it(name: str) -> None:
    check, source = module(name)
    named = {
        keyword.value.value
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Call)
        for keyword in node.keywords
        if keyword.arg == "vector"
        and isinstance(keyword.value, ast.Constant)
        and keyword.value.value is not None
    }

    assert named <= check.vectors.keys()


@pytest.mark.parametrize("name", MODULES)
def test_the_lab_has_a_device_that_misleads_it(name: str) -> None:
    """What a device must come to instead is held by the scans of the lab."""
    check, _ = module(name)
    if check.id not in BOTH_FAMILIES:
        assert check.id in TRAPS


def test_the_lab_misleads_no_check_that_is_not_there() -> None:
    ids = {module(name)[0].id for name in MODULES}

    assert ids >= TRAPS | FAR | BOTH_FAMILIES


@pytest.mark.parametrize("name", MODULES)
def test_nothing_of_the_network_is_imported(name: str) -> None:
    found = imports(module(name)[1])
    roots = {one.split(".")[0] for one in found}
    assert not roots & FORBIDDEN
    assert not {one for one in found if one.startswith(("hardenprobe.probes", "hardenprobe.network.link"))}
    others = {one for one in found if one.startswith("hardenprobe.checks")}
    assert not others, "a check never imports another"


@pytest.mark.parametrize("file", PROBES, ids=[p.stem for p in PROBES])
def test_a_probe_imports_no_check(file: Path) -> None:
    found = imports(file.read_text())
    assert not {
        one
        for one in found
        if one.startswith(("hardenprobe.checking.check", "hardenprobe.judging.run_checks"))
    }


@pytest.mark.parametrize("name", MODULES)
def test_it_is_short(name: str) -> None:
    assert module(name)[1].count("\n") < MOST_LINES


@pytest.mark.parametrize("name", MODULES)
def test_it_has_a_test_of_its_own(name: str) -> None:
    assert (Path(__file__).parent / f"test_{name}.py").is_file()
