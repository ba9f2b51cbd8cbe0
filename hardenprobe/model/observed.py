"""What a scan observed: devices and observations, nothing judged."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hardenprobe.model.observation import Vantage
from hardenprobe.model.review import Coverage, Head, Review
from hardenprobe.model.rows import Part
from hardenprobe.model.scratch import Scratch


@dataclass(frozen=True, kw_only=True)
class Observed:
    """What a scan observed. Its parts are those of a review that is yet to be judged.

    Attributes:
        rows: The devices and what was observed of each, without results; read again each time, a few in memory at once.
        texts: Where they were put aside, and where what is judged of them goes.
        notices: What people should know of the scan, one line each.
    """

    head: Head
    coverage: Coverage
    vantages: tuple[Vantage, ...]
    rows: Iterable[Part]
    texts: Scratch
    notices: tuple[str, ...] = ()

    def outline(self) -> Review:
        """A review without devices, results and observations."""
        return Review(
            head=self.head,
            coverage=self.coverage,
            vantages=self.vantages,
            devices=(),
            results=(),
            observations={},
            notices=self.notices,
        )
