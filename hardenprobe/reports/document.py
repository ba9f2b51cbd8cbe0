"""The review as its JSON document."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, BinaryIO

from hardenprobe.model import FindingDates
from hardenprobe.model.document import dump, to_document
from hardenprobe.model.usage import ServiceUsage, UsageSource
from hardenprobe.reports import json_stream
from hardenprobe.reports.source import Source

_LISTS = {"devices": "record", "results": "results", "observations": "observations"}


def write(source: Source, out: BinaryIO) -> None:
    """Write the document `hardenprobe.review/1`, a device at a time."""
    document = to_document(source.outline)
    dates = {
        finding: dump(FindingDates, one) for piece in source.pieces() for finding, one in piece.dates.items()
    }
    more: dict[str, Any] = {}
    if source.usage:
        used = ((key, one) for piece in source.pieces() for key, one in piece.usage.items())
        more["usage"] = {finding: dump(ServiceUsage, one) for finding, one in used}
        more["usage_sources"] = [dump(UsageSource, one) for one in source.usage]
    lists = {key: _entries(source, key) for key in _LISTS}
    json_stream.write(out, {**document, **lists, "dates": dates, **more}, keep_empty=True)
    out.write(b"\n")


def _entries(source: Source, key: str) -> Iterator[Any]:
    for piece in source.pieces():
        kept = json.loads(getattr(piece.part, _LISTS[key]))
        yield from [kept] if key == "devices" else kept
