"""What a report reads: a review device by device, from the store or in memory, as often as its format needs.

Only a few devices are held at a time, so a report of any size takes little memory.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import cache, cached_property, partial
from itertools import takewhile
from typing import TYPE_CHECKING, Any

from hardenprobe.errors import UsageError, clip
from hardenprobe.model import Device, Endpoint, FindingDates, Observation, Result, Review, Word
from hardenprobe.model import document as codec
from hardenprobe.model.rows import Part, split
from hardenprobe.model.transcript import utc_now
from hardenprobe.model.usage import ServiceUsage, UsageSource
from hardenprobe.store.device_rows import pages
from hardenprobe.usage.summary import Usage

if TYPE_CHECKING:
    from hardenprobe.comparison.standing import Count, OpenFinding, Standing
    from hardenprobe.store.store import Store

EARLIER = 12
"""Earlier reviews that a trend shows at most."""


class Piece:
    """One device of a review, with its results and what was seen of it; each is read when it is asked for."""

    def __init__(
        self,
        part: Part,
        dates: Callable[[Piece], Mapping[str, FindingDates]],
        used: Callable[[Device], Usage | None] = lambda device: None,
    ) -> None:
        self.part = part
        self._dates = dates
        self._used = used

    @cached_property
    def dates(self) -> Mapping[str, FindingDates]:
        """When each of its findings was seen and by when it is due, by its key."""
        return self._dates(self)

    @cached_property
    def usage(self) -> Mapping[str, ServiceUsage]:
        """Who uses the service of each of its findings, by its key; empty where the store keeps nothing of any use."""
        failed = {r.finding: r.endpoint for r in self.results if r.result is Word.FAIL and r.endpoint}
        known = self._used(self.device) if failed else None
        if known is None:
            return {}
        addresses = [one.address for one in self.device.addresses]
        return {finding: known.of(addresses, at.transport, at.port) for finding, at in failed.items()}

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
        still_open: Every finding that is open as far as is known, of devices that were not met too; None in memory.
        usage: What the evidence of use covers, the oldest period first, without what has expired; empty where none is kept.
        users: Who uses a service of a device; None where the store keeps nothing of any use.
        day: By which it is said what is overdue, ISO 8601.
        digest: SHA-256 of the review's document, which a bag of it calls its Review-Digest; None where it is not stored.
        bag: SHA-512 of the evidence bag that the report belongs to, in hex; None where none was named.
    """

    outline: Review
    pieces: Callable[[], Iterator[Piece]]
    trend: Callable[[], tuple[Count, ...]] = tuple
    still_open: Callable[[], Iterator[OpenFinding]] | None = None
    usage: tuple[UsageSource, ...] = ()
    users: Callable[[Device, Endpoint], ServiceUsage | None] = lambda device, at: None
    day: str = ""
    digest: str | None = None
    bag: str | None = None


def of_review(review: Review) -> Source:
    """Report on a review that is in memory."""
    outline = replace(review, devices=(), results=(), observations={})

    def pieces() -> Iterator[Piece]:
        document = codec.to_document(replace(review, what_first=(), statements=()))
        return (Piece(part, lambda piece: _dates_of_one(outline, piece)) for part in split(document))

    return Source(outline=outline, pieces=pieces, day=review.head.started[:10])


def of_pieces(
    outline: Review,
    known: Iterable[tuple[Part, Device, tuple[Result, ...], tuple[Observation[Any], ...]]],
    digest: str | None,
) -> Source:
    """Report on devices of a review that are in memory, each as its row and as what was read of that.

    Args:
        outline: The review without devices, results and observations.
        digest: As in `Source`.
    """
    pieces = []
    for part, device, results, observations in known:
        piece = Piece(part, partial(_dates_of_one, outline))
        piece.device, piece.results, piece.observations = device, results, observations
        pieces.append(piece)
    return Source(outline=outline, pieces=lambda: iter(pieces), day=outline.head.started[:10], digest=digest)


def of_store(store: Store, name: str, day: str | None = None) -> Source:
    """Report on a stored review.

    Args:
        name: As for `Store.find`.
        day: Reports what was known on a day (ISO 8601): the newest scan of the same scope until then.

    Raises:
        UnknownName, StoreRefused: There is no such review, or it cannot be read; a pass over the devices may raise
            StoreRefused, too.
    """
    from hardenprobe.store import usage as usage_store
    from hardenprobe.store.store import UNREADABLE

    review, *later = [store.find(name)] if day is None else as_of(store, name, day)
    outline = store.outline(review)

    @cache
    def standing() -> Standing:
        from hardenprobe.comparison.standing import Standing

        return Standing(store, outline, day, [store.outline(one) for one in later])

    today = utc_now()[:10]
    sources = tuple(one for one in usage_store.sources(store) if not one.expired(today))
    ours = {address for one in outline.vantages for address in (one.source, *one.sources) if address}

    def used(device: Device) -> Usage | None:
        if not sources:
            return None
        return Usage(sources, usage_store.uses(store, [one.address for one in device.addresses]), ours)

    latest: dict[str, Usage | None] = {}

    def users(device: Device, at: Endpoint) -> ServiceUsage | None:
        if device.id not in latest:  # findings come device by device
            latest.clear()
            latest[device.id] = used(device)
        known = latest[device.id]
        if known is None:
            return None
        return known.of([one.address for one in device.addresses], at.transport, at.port)

    def pieces() -> Iterator[Piece]:
        for page in pages(store.parts(review)):

            @cache
            def dates(devices: tuple[str, ...]) -> Mapping[str, Mapping[str, FindingDates]]:
                return standing().dates(devices)

            devices = tuple(part.device for part in page)
            for part in page:
                piece = Piece(part, partial(_dates_of_page, dates, devices), used)
                try:
                    piece.read()
                except (*UNREADABLE, UsageError) as exc:
                    raise store.unreadable(review, type(exc).__name__) from exc
                yield piece

    return Source(
        outline=outline,
        pieces=pieces,
        trend=lambda: _trend(standing()),
        still_open=lambda: standing().open(),
        usage=sources,
        users=users,
        day=day or outline.head.started[:10],
        digest=store.digest(review),
    )


def as_of(store: Store, name: str, day: str) -> list[str]:
    """The newest scan of the scope of a review that began on a day or before, and the rechecks since, up to that day.

    Raises:
        UsageError: The day cannot be read, or there is no such scan.
    """
    try:
        date.fromisoformat(day)
    except ValueError:
        raise UsageError(f"{clip(day)} is no day; write it as 2026-03-01") from None
    named = store.outline(store.find(name)).head
    again = store.rechecks()
    began = {one: store.outline(one).head.started for one in store.of_scope(named.scope)}
    # By their own dates: a clock that was set back puts a later scan on an earlier day.
    until = [one for one in began if one not in again and began[one][:10] <= day]
    if not until:
        raise UsageError(f"no scan of scope {clip(named.scope)} began on {day} or before")
    newest = max(reversed(until), key=lambda one: began[one])
    rest = list(began)[list(began).index(newest) + 1 :]
    return [newest, *(one for one in takewhile(again.__contains__, rest) if began[one][:10] <= day)]


def _dates_of_page(
    dates: Callable[[tuple[str, ...]], Mapping[str, Mapping[str, FindingDates]]],
    devices: tuple[str, ...],
    piece: Piece,
) -> Mapping[str, FindingDates]:
    return dates(devices)[piece.part.device]


def _dates_of_one(outline: Review, piece: Piece) -> Mapping[str, FindingDates]:
    """The dates of findings that no earlier review is known of."""
    began = outline.head.started
    baseline = piece.device.baseline.name if piece.device.baseline else ""
    days = outline.head.due_days.get(baseline, {})
    found = {}
    for result in piece.results:
        if result.result is Word.FAIL:
            left = days.get(str(result.severity))
            due = None if left is None else (datetime.fromisoformat(began) + timedelta(days=left)).date()
            found[result.finding] = FindingDates(
                first_seen=began, open_since=began, last_seen=began, due=due.isoformat() if due else None
            )
    return found


def _trend(standing: Standing) -> tuple[Count, ...]:
    if standing.last.head.narrow:
        return ()
    found = standing.trend(EARLIER)
    return tuple(found) if len(found) > 1 else ()
