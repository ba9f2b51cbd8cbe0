"""Views of a review, one module a format. A report shows verdicts and scores; it never computes one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from importlib import import_module
from typing import Any, BinaryIO, Protocol

from hardenprobe.errors import UnknownName
from hardenprobe.model import Review
from hardenprobe.reports.source import Source, of_review


class Writer(Protocol):
    """Writes a report; some formats take options of their own."""

    def __call__(self, what: Review | Source, out: BinaryIO, **options: Any) -> None: ...


_MODULES = {
    "text": "terminal",
    "html": "page",
    "pdf": "paper",
    "csv": "table",
    "worksheet": "worksheet",
    "tickets": "tickets",
    "icalendar": "icalendar",
    "oscal": "oscal",
    "junit": "junit",
    "openmetrics": "openmetrics",
    "json": "document",
}


class _Formats(Mapping[str, Writer]):
    """Format name to writer; a writer's module is imported when its format is asked for."""

    def __getitem__(self, name: str) -> Writer:
        """Return the writer of a format.

        Raises:
            UnknownName: There is no such format; proposes the nearest.
        """
        if name not in _MODULES:
            raise UnknownName("report format", name, _MODULES)
        module = import_module(f"hardenprobe.reports.{_MODULES[name]}")

        def write(what: Review | Source, out: BinaryIO, **options: Any) -> None:
            module.write(of_review(what) if isinstance(what, Review) else what, out, **options)

        return write

    def __contains__(self, name: object) -> bool:
        return name in _MODULES

    def __iter__(self) -> Iterator[str]:
        return iter(_MODULES)

    def __len__(self) -> int:
        return len(_MODULES)


FORMATS: Mapping[str, Writer] = _Formats()
"""The formats of `hardenprobe report`, each a callable (review or source, out)."""

__all__ = [
    "FORMATS",
    "allowlist_screen",
    "before_after_screen",
    "comparison_json",
    "comparison_screen",
    "device_sheets",
    "json_stream",
    "plan_screen",
    "plan_simulation",
    "sheet",
    "source",
    "terminal",
    "text",
    "trial_screen",
    "usage_text",
    "view",
]
