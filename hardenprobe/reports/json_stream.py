"""JSON with lists that are drawn up while they are written."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from itertools import chain
from typing import Any, BinaryIO

_NOTHING = object()


def write(out: BinaryIO, value: Any, *, keep_empty: bool, depth: int = 0) -> None:
    """Write ASCII, so that it may be printed to a terminal; an entry of a list that is drawn up is a line or more.

    Args:
        value: Plain JSON types, and iterators over the same in place of lists, inside of objects at any depth.
        keep_empty: Whether an iterator without entries is written as an empty list, or left out with its key.
    """
    if isinstance(value, Mapping) and _drawn_up(value):
        _write_object(out, value, keep_empty, depth)
    elif isinstance(value, Iterator):
        _write_list(out, value, keep_empty, depth)
    else:
        out.write(inert(value).encode("ascii"))


def inert(value: Any, indent: int | None = None) -> str:
    """Write plain JSON types in printable ASCII: DEL, C1 controls and bidirectional overrides as `\\uNNNN`.

    Whoever reads it finds the same values, so that digests taken over them hold.
    """
    return json.dumps(value, indent=indent, allow_nan=False).replace("\x7f", "\\u007f")


def _drawn_up(value: Mapping[str, Any]) -> bool:
    return any(isinstance(v, Iterator) or (isinstance(v, Mapping) and _drawn_up(v)) for v in value.values())


def _write_object(out: BinaryIO, value: Mapping[str, Any], keep_empty: bool, depth: int) -> None:
    before = b"{"
    for key, one in value.items():
        if isinstance(one, Iterator) and not keep_empty:
            first = next(one, _NOTHING)
            if first is _NOTHING:
                continue
            one = chain((first,), one)
        out.write(before + _line(depth + 1))
        before = b","
        write(out, key, keep_empty=keep_empty)
        out.write(b": ")
        write(out, one, keep_empty=keep_empty, depth=depth + 1)
    out.write(_line(depth) + b"}")


def _write_list(out: BinaryIO, entries: Iterator[Any], keep_empty: bool, depth: int) -> None:
    before = b"["
    for entry in entries:
        out.write(before + _line(depth + 1))
        before = b","
        write(out, entry, keep_empty=keep_empty, depth=depth + 1)
    out.write(b"[]" if before == b"[" else _line(depth) + b"]")


def _line(depth: int) -> bytes:
    return b"\n" + b" " * depth
