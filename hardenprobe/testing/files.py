"""Files of checks, for their tests."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

from hardenprobe.errors import UsageError
from hardenprobe.plugins.sources import in_folder


def load(file: Path) -> ModuleType:
    """The module of a check's file, the same that `--checks-from` loads.

    Raises:
        UsageError: There is no such file. Whatever it raises as it is loaded is raised.
    """
    for offer in in_folder(file.parent):
        if offer.name == file.stem.replace("_", "-"):
            found = offer.load()
            assert isinstance(found, ModuleType)
            return found
    raise UsageError(f"{file} is no Python file of a check")
