"""What a report reads: a review device by device, from the store or from memory, as often as its format needs.

Only a few devices are held at a time, so a report of any size takes little memory.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.model import Device, Observation, Result, Review, Severity, Word
from hardenprobe.model import document as codec
from hardenprobe.store.device_rows import Part, split

if TYPE_CHECKING:
    from hardenprobe.store.store import Store

EARLIER = 12
"""Earlier reviews that are counted at most: each costs a pass over its devices."""


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
class Past:
    """What an earlier review of the same scope counted.

    Attributes:
        started: UTC, ISO 8601 with Z.
        standing: Findings by severity, those with a running exception left out.
        accepted: Findings with a running exception.
    """

    review: str
    started: str
    devices: int
    standing: Counter[Severity | None] = field(default_factory=Counter)
    accepted: int = 0


@dataclass(frozen=True, kw_only=True)
class Source:
    """A review to report on.

    Attributes:
        outline: The review without devices, results and observations.
        pieces: Begins a pass over its devices, in the review's order.
        earlier: Counts earlier reviews of the same scope, the oldest first; empty where none are kept.
    """

    outline: Review
    pieces: Callable[[], Iterator[Piece]]
    earlier: Callable[[], tuple[Past, ...]] = tuple


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
    return Source(outline=outline, pieces=pieces, earlier=lambda: tuple(_earlier(store, outline)))


def _earlier(store: Store, outline: Review) -> Iterable[Past]:
    """Count the newest reviews before this one that were scanned and not judged again: one for each scan."""
    past: list[Past] = []
    for kept in store.before(outline.head.id):
        if len(past) == EARLIER:
            break
        try:
            head = store.outline(kept).head
            if head.judged_from is None and head.rechecks is None and kept != outline.head.judged_from:
                past.append(_count(kept, head.started, store.parts(kept)))
        except (StoreRefused, UsageError):
            continue  # what cannot be read is not counted; `hardenprobe reviews` tells of it
    return reversed(past)


def _count(review: str, started: str, parts: Iterable[Part]) -> Past:
    devices = 0
    accepted = 0
    standing: Counter[Severity | None] = Counter()
    for part in parts:
        devices += 1
        for result in json.loads(part.results):
            if result["result"] != Word.FAIL:
                continue
            if result["exception"]:
                accepted += 1
            else:
                standing[Severity(result["severity"]) if result["severity"] else None] += 1
    return Past(review=review, started=started, devices=devices, standing=standing, accepted=accepted)
