"""What a report reads: a review device by device, from the store or from memory, as often as its format needs.

Only a few devices are held at a time, so a report of any size takes little memory.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from hardenprobe.errors import UsageError
from hardenprobe.model import Device, Observation, Result, Review
from hardenprobe.model import document as codec
from hardenprobe.store.device_rows import Part, split

if TYPE_CHECKING:
    from hardenprobe.comparison.standing import Count
    from hardenprobe.store.store import Store

EARLIER = 12
"""Earlier reviews that a trend shows at most."""


class Piece:
    """One device of a review, with its results and what was seen of it; each is read when it is asked for."""

    def __init__(self, part: Part) -> None:
        self.part = part

    @cached_property
    def device(self) -> Device:
        return codec.decode_device(json.loads(self.part.record))

    @cached_property
    def results(self) -> tuple[Result, ...]:
        return codec.decode_results(json.loads(self.part.results))

    @cached_property
    def observations(self) -> tuple[Observation[Any], ...]:
        from hardenprobe.model.rows import read_observations

        return tuple(read_observations(self.part.observations))

    def read(self) -> None:
        """Read what every report shows.

        Raises:
            ValueError, TypeError, KeyError, UsageError: The row holds something else.
        """
        _ = self.device, self.results


@dataclass(frozen=True, kw_only=True)
class Source:
    """A review to report on.

    Attributes:
        outline: The review without devices, results and observations.
        pieces: Begins a pass over its devices, in the review's order.
        trend: Counts what was open at earlier reviews of the same scope, the oldest first, and at this one, the last; empty
            where there is no earlier one, and for a narrow review.
    """

    outline: Review
    pieces: Callable[[], Iterator[Piece]]
    trend: Callable[[], tuple[Count, ...]] = tuple


def of_review(review: Review) -> Source:
    """Report on a review that is in memory."""
    outline = replace(review, devices=(), results=(), observations={})

    def pieces() -> Iterator[Piece]:
        document = codec.to_document(replace(review, what_first=(), statements=()))
        return map(Piece, split(document))

    return Source(outline=outline, pieces=pieces)


def of_store(store: Store, name: str) -> Source:
    """Report on a stored review.

    Args:
        name: As for `Store.find`.

    Raises:
        UnknownName, StoreRefused: There is no such review, or it cannot be read; a pass over the devices may raise
            StoreRefused, too.
    """
    from hardenprobe.store.store import UNREADABLE

    review = store.find(name)

    def pieces() -> Iterator[Piece]:
        for part in store.parts(review):
            piece = Piece(part)
            try:
                piece.read()
            except (*UNREADABLE, UsageError) as exc:
                raise store.unreadable(review, type(exc).__name__) from exc
            yield piece

    outline = store.outline(review)
    return Source(outline=outline, pieces=pieces, trend=lambda: _trend(store, outline))


def _trend(store: Store, outline: Review) -> tuple[Count, ...]:
    from hardenprobe.comparison.standing import Standing, is_narrow

    if is_narrow(outline):
        return ()
    found = Standing(store, outline).trend(EARLIER)
    return tuple(found) if len(found) > 1 else ()
