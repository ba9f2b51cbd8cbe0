"""One row a result, as CSV (RFC 4180), for spreadsheets."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from typing import BinaryIO

from hardenprobe.model import Result, Word
from hardenprobe.reports.source import Piece, Source
from hardenprobe.reports.text import endpoint_text, visible
from hardenprobe.reports.usage_text import users

COLUMNS = (
    "finding", "device", "asset_tag", "addresses", "check", "endpoint", "subject", "vantage", "result", "reason",
    "severity", "score", "vector", "observed", "expected", "remedy", "controls", "observations", "exception_until",
    "exception_lapsed", "temporal", "environmental", "owner", "first_seen", "open_since", "due", "overdue", "review", "collected",
    "users",
)  # fmt: skip

LIMIT = 2000
"""Characters in a cell."""

# What spreadsheets take for the beginning of a formula, its full-width forms, and what some of them skip before it.
_FORMULA = tuple("=+-@\t\r\n＝＋－＠")


def neutral(value: object) -> str:
    """Write a cell that no spreadsheet takes for a formula: an apostrophe goes before what would start one."""
    text = "" if value is None else str(value)
    shown = visible(text, LIMIT)
    return f"'{shown}" if text.lstrip(" \u00a0").startswith(_FORMULA) else shown


def write(source: Source, out: BinaryIO) -> None:
    """Write UTF-8 with a header line."""
    remedies = {advice.remedy.id: advice.remedy.title for advice in source.outline.what_first}
    text = io.TextIOWrapper(out, encoding="utf-8", newline="", write_through=True)
    try:
        rows = csv.writer(text)
        rows.writerow(COLUMNS)
        for piece in source.pieces():
            asked = {seen.id: seen.asked_at for seen in piece.observations}
            for result in piece.results:
                collected = min((asked[id] for id in result.observations if id in asked), default=None)
                usage = piece.usage.get(result.finding) if result.result is Word.FAIL else None
                cells = (
                    *_cells(piece, result, remedies),
                    source.outline.head.id,
                    collected,
                    users(usage) if usage else None,
                )
                rows.writerow([neutral(cell) for cell in cells])
    finally:
        text.detach()  # `out` belongs to the caller and stays open


def _cells(piece: Piece, result: Result, remedies: Mapping[str, str]) -> Iterator[object]:
    device = piece.device
    yield result.finding
    yield device.label
    yield device.asset_tag
    yield " ".join(address.address for address in device.addresses)
    yield result.check
    yield endpoint_text(result.endpoint, device)
    yield result.subject
    yield result.vantage
    yield result.result
    yield result.reason
    yield result.severity
    yield result.score
    yield result.vector
    yield result.observed.text
    yield result.expected.text
    yield remedies.get(result.remedy, result.remedy) if result.remedy else None
    yield "; ".join(result.controls)
    yield " ".join(result.observations)
    yield result.exception.until if result.exception else None
    yield f"{result.lapsed.id}: {result.lapsed.why}" if result.lapsed else None
    yield result.temporal
    yield result.environmental
    yield device.owner
    dates = piece.dates.get(result.finding) if result.result is Word.FAIL else None
    yield dates.first_seen if dates else None
    yield dates.open_since if dates else None
    yield dates.due if dates else None
    yield ("yes" if dates.overdue else "no") if dates else None
