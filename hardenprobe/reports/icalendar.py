"""Due dates of open findings and last days of risk acceptances, as a calendar (RFC 5545).

Source: RFC 5545 section 3.1 (content lines, folded at 75 octets), 3.3.11 (escaped text), 3.6.1 (VEVENT), 3.8.4.7 (UID).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, datetime, timedelta
from typing import BinaryIO

from hardenprobe.reports.open_findings import OpenRow, open_rows
from hardenprobe.reports.source import Source
from hardenprobe.reports.text import CAUTION, visible

_OCTETS = 75


def write(source: Source, out: BinaryIO) -> None:
    """Write a calendar with an event of a whole day for each date."""
    head = source.outline.head
    stamp = f"{datetime.fromisoformat(head.started):%Y%m%dT%H%M%SZ}"
    version = head.versions.get("hardenprobe", "unknown")
    out.writelines(
        _folded(line)
        for line in (
            "BEGIN:VCALENDAR",
            "VERSION:2.0",
            f"PRODID:-//hardenprobe//hardenprobe {_escaped(version)}//EN",
            "CALSCALE:GREGORIAN",
            *_events(source, stamp),
            "END:VCALENDAR",
        )
    )


def _events(source: Source, stamp: str) -> Iterator[str]:
    titles = {note.id: note.title for note in source.outline.checks}
    ending = {note.id for note in source.outline.exceptions}
    for one in open_rows(source):
        if not one.accepted(source.day):
            if one.dates.due:
                yield from _due(one, titles, one.dates.due, stamp)
        elif (accepted := one.result.exception) and accepted.id not in ending:
            ending.add(accepted.id)  # this review did not assess what it covers
            summary = f"Risk acceptance {accepted.id} ends: {one.result.check} on {one.device.label}"
            yield from _event(f"{accepted.id}-{accepted.until}", accepted.until, summary, CAUTION, stamp)
    for note in source.outline.exceptions:
        if note.until >= source.day and note.state.startswith("runs"):
            text = f"{note.reason} Compensating controls: {note.compensating} Approved by {note.approved_by}."
            summary = f"Risk acceptance {note.id} ends: {note.about}"
            yield from _event(f"{note.id}-{note.until}", note.until, summary, text, stamp)


def _due(one: OpenRow, titles: dict[str, str], due: str, stamp: str) -> Iterator[str]:
    owner = f"Owner: {one.device.owner}. " if one.device.owner else ""
    text = f"{owner}Open since {one.dates.open_since[:10]}. Observed: {one.result.observed.text}. {CAUTION}"
    yield from _event(one.key, due, f"Due: {one.title(titles)}", text, stamp)


def _event(key: str, day: str, summary: str, text: str, stamp: str) -> Iterator[str]:
    first = date.fromisoformat(day)
    yield "BEGIN:VEVENT"
    yield f"UID:{_escaped(key)}@hardenprobe.invalid"
    yield f"DTSTAMP:{stamp}"
    yield f"DTSTART;VALUE=DATE:{first:%Y%m%d}"
    yield f"DTEND;VALUE=DATE:{first + timedelta(days=1):%Y%m%d}"
    yield f"SUMMARY:{_escaped(summary)}"
    yield f"DESCRIPTION:{_escaped(text)}"
    yield "TRANSP:TRANSPARENT"
    yield "END:VEVENT"


def _escaped(text: str) -> str:
    """A text as section 3.3.11 writes it; what a device said is made harmless first."""
    shown = visible(text, 1000)
    for char in ("\\", ";", ","):
        shown = shown.replace(char, f"\\{char}")
    return shown.replace("\n", "\\n")


def _folded(line: str) -> bytes:
    """A content line, folded between characters so that no line is longer than 75 octets."""
    return b"\r\n ".join(_pieces(line)) + b"\r\n"


def _pieces(line: str) -> Iterable[bytes]:
    piece = b""
    limit = _OCTETS
    for char in line:
        octets = char.encode()
        if len(piece) + len(octets) > limit:
            yield piece
            piece, limit = b"", _OCTETS - 1  # the space that begins a folded line counts
        piece += octets
    yield piece
