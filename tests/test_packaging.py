"""What ships, and what a command costs before it does anything."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
TOOL = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]
HEAVY = ("scapy", "pysnmp", "sslyze", "httpx", "pydantic", "sqlalchemy", "rich", "jinja2", "cryptography", "openpyxl", "drawsvg",
         "prometheus_client", "weasyprint")  # fmt: skip


def python(code: str) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=30, check=True
    )
    return done.stdout.split()


def test_packages_are_the_folders_that_hold_an_init() -> None:
    where = TOOL["package-dir"]
    found = {"hardenprobe"}
    for name, folder in where.items():
        for init in (ROOT / folder).rglob("__init__.py"):
            inside = init.parent.relative_to(ROOT / folder).parts
            # The links inside the package lead to folders that have names of their own.
            if not any((ROOT / folder).joinpath(*inside[: i + 1]).is_symlink() for i in range(len(inside))):
                found.add(".".join((name, *inside)))
    assert sorted(TOOL["packages"]) == sorted(found)


@pytest.mark.parametrize("folder", ["checks", "baselines", "demo_lab"])
def test_the_links_lead_to_the_folders(folder: str) -> None:
    link = ROOT / "hardenprobe" / folder
    assert link.is_symlink()
    assert link.resolve() == ROOT / folder


@pytest.mark.parametrize("package", sorted(TOOL["package-data"]))
def test_every_pattern_of_package_data_finds_a_file(package: str) -> None:
    parts = package.split(".")
    folder = ROOT.joinpath(*parts)
    empty = [pattern for pattern in TOOL["package-data"][package] if not list(folder.glob(pattern))]
    assert not empty


@pytest.mark.parametrize("package", TOOL["packages"])
def test_every_data_file_is_shipped(package: str) -> None:
    folder = ROOT.joinpath(*package.split("."))
    patterns = TOOL["package-data"].get(package, [])
    shipped = {file for pattern in patterns for file in folder.glob(pattern)}
    data = {f for f in folder.iterdir() if f.is_file() and f.suffix not in (".py", ".pyc")}
    assert data == shipped


@pytest.mark.slow
def test_registry_loads_no_second_copy_under_a_bare_name() -> None:
    names = python("import hardenprobe.plugins.registry as r, sys; r.load(); print(*sys.modules)")
    assert "hardenprobe.checks.cleartext_telnet" in names
    assert not {n for n in names if n.split(".")[0] in ("checks", "baselines", "demo_lab")}


@pytest.mark.parametrize("arguments", [["--help"], ["--version"]], ids=" ".join)
def test_help_imports_nothing_heavy(arguments: list[str]) -> None:
    names = python(
        "import sys, io, contextlib\n"
        "from hardenprobe.cli import run\n"
        "with contextlib.redirect_stdout(io.StringIO()) as out:\n"
        f"    status = run({arguments!r})\n"
        "assert status == 0 and 'hardenprobe' in out.getvalue().lower()\n"
        "print(*sys.modules)"
    )
    assert not {n for n in names if n.split(".")[0] in HEAVY}


def test_checks_can_be_read_without_the_network_libraries() -> None:
    names = python(
        "import hardenprobe.plugins.registry as r, sys; r.load(plugins=False); print(*sys.modules)"
    )
    assert not {n for n in names if n.split(".")[0] in ("scapy", "pysnmp", "sslyze", "httpx", "sqlalchemy")}
