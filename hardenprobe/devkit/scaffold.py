"""A folder to start a plug-in from: a check, its probe and facts, a service of the lab, tests, documentation."""

from __future__ import annotations

import keyword
import re
import shutil
import sys
from importlib.resources import files
from pathlib import Path
from string import Template

from hardenprobe.checking.check import ID
from hardenprobe.errors import UsageError, clip

LONGEST = 60  # characters of a name, which becomes a folder, a package and a word of reports
_FILES = {
    "pyproject.toml": "pyproject",
    "README.md": "readme",
    "{package}/__init__.py": "init",
    "{package}/facts.py": "facts",
    "{package}/probe.py": "probe",
    "{package}/check.py": "check",
    "{package}/service.py": "service",
    "{package}/devices.yaml": "devices",
    "tests/conftest.py": "conftest",
    "tests/checking/test_check.py": "test_check",
    "tests/test_probe.py": "test_probe",
}


def write(name: str, under: Path, taken: frozenset[str]) -> Path:
    """Write a folder of the check's name; all of it or nothing.

    Args:
        name: The check's id: names the exposure, in lower-case words joined by dashes.
        under: Where the folder is made.
        taken: Ids that other checks have.

    Raises:
        UsageError: The name cannot be one, or is taken; the folder is there already or cannot be written.
    """
    package = _package(name, taken)
    folder = under / name
    if folder.exists() or folder.is_symlink():
        raise UsageError(f"{folder} is there already; nothing is overwritten, choose another name or place")
    words = {
        "name": name,
        "package": package,
        "service": "".join(part.capitalize() for part in name.split("-")),
        "title": "A port answers questions of the Identification Protocol",
    }
    try:
        for file, template in _FILES.items():
            path = folder / file.format(package=package)
            path.parent.mkdir(parents=True, exist_ok=True)
            text = (
                files("hardenprobe.templates").joinpath(f"plugin_{template}.txt").read_text(encoding="utf-8")
            )
            path.write_text(Template(text).substitute(words), encoding="utf-8")
    except OSError as exc:
        shutil.rmtree(folder, ignore_errors=True)
        raise UsageError(f"{folder} cannot be written: {exc.strerror}") from exc
    return folder


def _package(name: str, taken: frozenset[str]) -> str:
    """The name of the package for a check's id.

    Raises:
        UsageError: Says what is wrong with the id.
    """
    if not ID.fullmatch(name) or len(name) > LONGEST:
        raise UsageError(
            f"{clip(name)} is no name for a check: write lower-case words joined by dashes that name the exposure, "
            f"such as ident-answers, {LONGEST} characters at most"
        )
    if name in taken:
        raise UsageError(f"there is a check {name} already; choose another name")
    package = re.sub("-", "_", name)
    if keyword.iskeyword(package) or package in sys.stdlib_module_names or package.startswith("hardenprobe"):
        raise UsageError(
            f"{clip(name)} would make a package named {package}, which Python or hardenprobe has; choose another"
        )
    return package
