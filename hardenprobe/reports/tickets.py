"""One row for each open finding without a risk acceptance, as CSV (RFC 4180) that a ticket system can take in.

The key stays the same from month to month, so that a finding never becomes a second ticket.
"""

from __future__ import annotations

import csv
import io
from typing import BinaryIO

from hardenprobe.reports.open_findings import OpenRow, open_rows
from hardenprobe.reports.source import Source
from hardenprobe.reports.table import neutral
from hardenprobe.reports.text import CAUTION
from hardenprobe.reports.usage_text import users

COLUMNS = ("key", "owner", "due", "overdue", "severity", "title", "text", "device", "asset_tag", "first_seen")


def write(source: Source, out: BinaryIO) -> None:
    """Write UTF-8 with a header line."""
    titles = {note.id: note.title for note in source.outline.checks}
    remedies = {advice.remedy.id: advice.remedy.title for advice in source.outline.what_first}
    text = io.TextIOWrapper(out, encoding="utf-8", newline="", write_through=True)
    try:
        rows = csv.writer(text)
        rows.writerow(COLUMNS)
        for one in open_rows(source):
            if not one.accepted(source.day):
                rows.writerow([neutral(cell) for cell in _cells(one, titles, remedies, source)])
    finally:
        text.detach()  # `out` belongs to the caller and stays open


def _cells(
    one: OpenRow, titles: dict[str, str], remedies: dict[str, str], source: Source
) -> tuple[object, ...]:
    result, dates = one.result, one.dates
    remedy = remedies.get(result.remedy or "", result.remedy or "")
    usage = source.users(one.device, result.endpoint) if result.endpoint else None
    said = [
        f"Observed: {result.observed.text}.",
        f"Expected: {result.expected.text}.",
        f"Remediation: {remedy}." if remedy else "",
        f"Users: {users(usage)}." if usage else "",
        f"Not reassessed by review {source.outline.head.id}: {one.why}." if one.why else "",
        f"Open since {dates.open_since[:10]}, last seen {dates.last_seen[:10]}.",
        CAUTION,
    ]
    return (
        one.key,
        one.device.owner,
        dates.due,
        "yes" if dates.overdue else "no",
        result.severity,
        one.title(titles),
        " ".join(filter(None, said)),
        one.device.label,
        one.device.asset_tag,
        dates.first_seen,
    )
