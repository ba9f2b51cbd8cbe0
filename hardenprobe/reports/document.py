"""The review as its JSON document."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any, BinaryIO

from hardenprobe.codec import to_document
from hardenprobe.reports.source import Source

_LISTS = {"devices": "record", "results": "results", "observations": "observations"}


def write(source: Source, out: BinaryIO) -> None:
    """Write the document `hardenprobe.review/1`, a device at a time.

    Everything outside ASCII is escaped: the document may be printed to a terminal, and device text must do nothing
    there.
    """
    before = b"{\n "
    for key, value in to_document(source.outline).items():
        out.write(before + _ascii(key) + b": ")
        before = b",\n "
        if key in _LISTS:
            _write_list(out, _entries(source, key))
        else:
            out.write(_ascii(value))
    out.write(b"\n}\n")


def _entries(source: Source, key: str) -> Iterable[Any]:
    for piece in source.pieces():
        kept = json.loads(getattr(piece.part, _LISTS[key]))
        yield from [kept] if key == "devices" else kept


def _write_list(out: BinaryIO, entries: Iterable[Any]) -> None:
    before = b"[\n  "
    for entry in entries:
        out.write(before + _ascii(entry))
        before = b",\n  "
    out.write(b"[]" if before.startswith(b"[") else b"\n ]")


def _ascii(value: Any) -> bytes:
    return json.dumps(value, allow_nan=False).encode("ascii").replace(b"\x7f", b"\\u007f")
