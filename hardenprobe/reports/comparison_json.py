"""A comparison as JSON, `hardenprobe.comparison/1`, written while its devices are read."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any, BinaryIO

from hardenprobe.comparison.records import FORMAT, DeviceChange, Document, entry
from hardenprobe.comparison.stored import Comparison
from hardenprobe.model import document
from hardenprobe.reports import json_stream

SCHEMA_FILE = Path(document.__file__).with_name("comparison.schema.json")


def write(comparison: Comparison, devices: Iterable[DeviceChange], out: BinaryIO) -> None:
    """Write it; what it adds up to comes last, when all devices were read."""
    first: dict[str, Any] = {
        "format": FORMAT,
        "old": asdict(comparison.old),
        "new": asdict(comparison.new),
        "notices": comparison.notices,
        "devices": (asdict(entry(one)) for one in devices),
    }
    before = b"{"
    for key, value in first.items():
        out.write(before)
        before = b","
        _member(out, key, value)
    out.write(before)
    _member(out, "totals", asdict(comparison.totals))
    out.write(b"\n}\n")


def _member(out: BinaryIO, key: str, value: Any) -> None:
    out.write(b"\n ")
    json_stream.write(out, key, keep_empty=True)
    out.write(b": ")
    json_stream.write(out, value, keep_empty=True, depth=1)


def schema() -> dict[str, Any]:
    """Build the JSON Schema (2020-12) of the document from its records."""
    whole = document.adapter(Document).json_schema(mode="serialization")
    defs: dict[str, Any] = whole["$defs"]
    return document.for_readers(
        FORMAT, "Two reviews of a fleet beside each other.", defs.pop("Document"), defs
    )


def write_schema() -> None:
    """Bring the shipped schema up to date."""
    document.write_schema_file(SCHEMA_FILE, schema())
