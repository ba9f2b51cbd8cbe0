"""Where checks and probes come from: our own folder, installed packages, and folders that the user names.

All of them go through `offers()` and are loaded in the same way. Loading one runs its code.
"""

from __future__ import annotations

import hashlib
import pkgutil
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from types import ModuleType

import hardenprobe.checks
from hardenprobe.errors import UsageError
from hardenprobe.network.audit_hook import FOLDER_PREFIX

CHECKS, PROBES, SERVICES = "hardenprobe.checks", "hardenprobe.probes", "hardenprobe.services"  # entry points
BUILT_IN = "hardenprobe"
_NO_PLUGINS = ("test_", "conftest", "setup", "_")  # how files of a folder begin that bring nothing


@dataclass(frozen=True, kw_only=True)
class Offer:
    """What may bring a check or a probe; nothing of it has run yet.

    Attributes:
        name: What it is called before it is loaded.
        origin: Who provides it, for the reader of a verdict.
        load: Runs its code, and gives a module or what the entry point names.
        named: It must have the id that it is called by.
    """

    name: str
    origin: str
    load: Callable[[], object]
    named: bool = False

    @property
    def ours(self) -> bool:
        return self.origin == BUILT_IN


def offers(plugins: bool = True, folders: Iterable[Path] = ()) -> Iterator[Offer]:
    """Everything on offer: ours, then that of installed packages, then that of folders.

    Raises:
        UsageError: There is no such folder, or no Python file in it.
    """
    for info in pkgutil.iter_modules(hardenprobe.checks.__path__):
        module = f"{hardenprobe.checks.__name__}.{info.name}"
        name = info.name.replace("_", "-")
        yield Offer(name=name, origin=BUILT_IN, load=partial(import_module, module), named=True)
    for group in (CHECKS, PROBES) if plugins else ():
        for entry in sorted(entry_points(group=group), key=lambda entry: entry.name):
            yield Offer(name=entry.name, origin=brought_by(entry), load=entry.load, named=group == CHECKS)
    for folder in folders:
        yield from in_folder(folder)


def brought_by(entry: EntryPoint) -> str:
    """The distribution of an entry point, with its version."""
    return f"{entry.dist.name} {entry.dist.version}" if entry.dist else entry.value


def in_folder(folder: Path) -> list[Offer]:
    """The Python files of a folder, as modules of one package, so that they can import each other (`from .facts import`).

    Raises:
        UsageError: There is no such folder, or no Python file in it.
    """
    path = folder.absolute()
    if not path.is_dir():
        raise UsageError(f"{folder} is no folder; name one that holds Python files of checks")
    files = [file for file in sorted(path.glob("*.py")) if not file.stem.startswith(_NO_PLUGINS)]
    if not files:
        raise UsageError(f"{folder} holds no Python file of a check")
    package = _package(path)
    return [
        Offer(
            name=file.stem.replace("_", "-"),
            origin=origin(file),
            load=partial(_imported, f"{package}.{file.stem}"),
        )
        for file in files
    ]


def origin(file: Path) -> str:
    """A file as the origin of a verdict: its place, and what it held."""
    try:
        held = hashlib.sha256(file.read_bytes()).hexdigest()[:16]
    except OSError as exc:
        raise UsageError(f"{file}: {exc.strerror}") from exc
    return f"{file} (SHA-256 {held})"


def _package(folder: Path) -> str:
    """A package whose modules are the files of a folder: the one that is loaded already, so that no file is loaded twice."""
    for name, module in list(sys.modules.items()):
        if str(folder) in list(getattr(module, "__path__", None) or ()):
            return name
    name = FOLDER_PREFIX + hashlib.sha256(str(folder).encode()).hexdigest()[:12]
    package = ModuleType(name, f"The files of {folder}.")
    package.__path__ = [str(folder)]
    sys.modules[name] = package
    return name


def _imported(name: str) -> ModuleType:
    """Import once in a process, and leave no compiled file in the folder."""
    with _no_bytecode():
        return import_module(name)


@contextmanager
def _no_bytecode() -> Iterator[None]:
    before, sys.dont_write_bytecode = sys.dont_write_bytecode, True
    try:
        yield
    finally:
        sys.dont_write_bytecode = before
