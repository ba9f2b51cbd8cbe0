"""What to start a check of one's own from: two files, or a package with a service of the lab, devices and documentation."""

from __future__ import annotations

import keyword
import re
import shutil
import sys
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Literal

from hardenprobe.checking.check import ID
from hardenprobe.errors import UsageError, clip

LONGEST = 60  # characters of a name, which becomes a folder, a package and a word of reports
Kind = Literal["check", "probe", "package"]
_FILES: Mapping[Kind, Mapping[str, str]] = {
    "check": {"{module}.py": "file_check", "test_{module}.py": "file_test"},
    "probe": {"{module}.py": "file_probe_check", "test_{module}.py": "file_probe_test"},
    "package": {
        "pyproject.toml": "plugin_pyproject",
        "README.md": "plugin_readme",
        "{module}/__init__.py": "plugin_init",
        "{module}/facts.py": "plugin_facts",
        "{module}/probe.py": "plugin_probe",
        "{module}/check.py": "plugin_check",
        "{module}/service.py": "plugin_service",
        "{module}/devices.yaml": "plugin_devices",
        "tests/conftest.py": "plugin_conftest",
        "tests/test_check.py": "plugin_test_check",
        "tests/test_probe.py": "plugin_test_probe",
    },
}


def write(name: str, under: Path, taken: frozenset[str], kind: Kind = "check") -> Path:
    """Write a folder of the check's name; all of it or nothing.

    Args:
        name: The check's id: names the exposure, in lower-case words joined by dashes.
        under: Where the folder is made.
        taken: Ids that other checks have.
        kind: A check and its test; the same with a probe; or a package to install, with a service of the lab and its devices.

    Raises:
        UsageError: The name cannot be one, or is taken; the folder is there already or cannot be written.
    """
    module = _module(name, taken)
    folder = under / name
    if folder.exists() or folder.is_symlink():
        raise UsageError(f"{folder} is there already; nothing is overwritten, choose another name or place")
    words = {
        "name": name,
        "module": module,
        "service": "".join(part.capitalize() for part in name.split("-")),
        "title": "A port answers questions of the Identification Protocol",
    }
    try:
        for file, template in _FILES[kind].items():
            path = folder / file.format(module=module)
            path.parent.mkdir(parents=True, exist_ok=True)
            text = files("hardenprobe.templates").joinpath(f"{template}.txt").read_text(encoding="utf-8")
            path.write_text(Template(text).substitute(words), encoding="utf-8")
    except OSError as exc:
        shutil.rmtree(folder, ignore_errors=True)
        raise UsageError(f"{folder} cannot be written: {exc.strerror}") from exc
    return folder


def _module(name: str, taken: frozenset[str]) -> str:
    """The name of the module for a check's id.

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
    module = re.sub("-", "_", name)
    if keyword.iskeyword(module) or module in sys.stdlib_module_names or module.startswith("hardenprobe"):
        raise UsageError(
            f"{clip(name)} would make a module named {module}, which Python or hardenprobe has; choose another"
        )
    return module
