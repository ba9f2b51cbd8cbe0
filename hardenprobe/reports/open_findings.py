"""The open findings of a review as rows that tickets and calendars are made of: also those that it could not assess again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from hardenprobe.model import Device, FindingDates, Result, Word
from hardenprobe.model.document import decode_results
from hardenprobe.reports.source import Source
from hardenprobe.reports.text import endpoint_text


@dataclass(frozen=True, kw_only=True)
class OpenRow:
    """An open finding.

    Attributes:
        key: Stays the same as long as the finding is open, wherever it moves.
        why: Why the review did not assess it again; "" where it did.
    """

    key: str
    device: Device
    result: Result
    dates: FindingDates
    why: str = ""

    def accepted(self, day: str) -> bool:
        """Whether a risk acceptance covers it on a day."""
        return self.result.exception is not None and self.result.exception.until >= day

    def title(self, titles: dict[str, str]) -> str:
        """What it is, on which device and where."""
        what = titles.get(self.result.check, self.result.check)
        subject = f", {self.result.subject}" if self.result.subject else ""
        return f"{what} ({self.device.label}, {endpoint_text(self.result.endpoint, self.device)}{subject})"


def open_rows(source: Source) -> Iterator[OpenRow]:
    """Every open finding, device after device; of several vantage points the first."""
    if source.still_open is not None:
        for one in source.still_open():
            (result,) = decode_results([one.sighting.verdict.entry])
            yield OpenRow(key=one.key, device=one.device, result=result, dates=one.dates, why=one.why)
        return
    for piece in source.pieces():
        told: set[str] = set()
        for result in piece.results:
            if result.result is Word.FAIL and result.finding not in told:
                told.add(result.finding)
                dates = piece.dates[result.finding]
                yield OpenRow(key=result.finding, device=piece.device, result=result, dates=dates)
