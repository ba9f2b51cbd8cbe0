"""Services that others bring: by entry point of an installed package, or from the Python files of a folder."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from importlib.metadata import entry_points
from pathlib import Path

from hardenprobe.errors import UsageError, clip
from hardenprobe.plugins.sources import SERVICES, brought_by, in_folder


def installed(speaks: str) -> None:
    """Register the service of an installed package that has this word, where there is one; this runs its code.

    Raises:
        UsageError: It cannot be loaded; names the package.
    """
    for entry in entry_points(group=SERVICES, name=speaks):
        _load(entry.load, f"service {speaks} from {brought_by(entry)}")


def from_folders(folders: Iterable[Path]) -> None:
    """Register every service in the Python files of folders; this runs their code.

    Raises:
        UsageError: A file cannot be loaded; names it.
    """
    for folder in folders:
        for offer in in_folder(folder):
            _load(offer.load, offer.origin)


def _load(load: Callable[[], object], origin: str) -> None:
    try:
        load()
    except (Exception, SystemExit) as exc:  # it may raise anything
        raise UsageError(f"{origin} cannot be loaded: {type(exc).__name__}: {clip(str(exc), 200)}") from exc
