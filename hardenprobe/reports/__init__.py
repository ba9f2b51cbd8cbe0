"""Views of a stored review, one module a format. A report shows verdicts and scores; it never computes one."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from importlib import import_module
from typing import BinaryIO

from hardenprobe.errors import UnknownName
from hardenprobe.records import Review

Writer = Callable[[Review, BinaryIO], None]


class _Formats(Mapping[str, Writer]):
    """Format name to writer; a writer's module is imported when its format is asked for."""

    def __init__(self, modules: dict[str, str]) -> None:
        self._modules = modules

    def __getitem__(self, name: str) -> Writer:
        """Return the writer of a format.

        Raises:
            UnknownName: There is no such format; proposes the nearest.
        """
        if name not in self._modules:
            raise UnknownName("report format", name, self._modules)
        writer: Writer = import_module(f"hardenprobe.reports.{self._modules[name]}").write
        return writer

    def __contains__(self, name: object) -> bool:
        return name in self._modules

    def __iter__(self) -> Iterator[str]:
        return iter(self._modules)

    def __len__(self) -> int:
        return len(self._modules)


FORMATS: Mapping[str, Writer] = _Formats({"html": "page", "json": "document", "csv": "table"})
"""The formats of `hardenprobe report`, each a callable (review, out)."""
