"""Keeps a scan's visits as they come: in the store's journal, and in the spool from the moment that the store fails."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from hardenprobe.errors import StoreRefused
from hardenprobe.identity import Visit
from hardenprobe.journal import Begun, Journal, TakenUp
from hardenprobe.records import Cost, Review
from hardenprobe.spool import Spool
from hardenprobe.store import Store


@dataclass(frozen=True, kw_only=True)
class Kept:
    """What became of a review.

    Attributes:
        review: As stored, with its place in the chain; as it was where the store failed.
        stored: It is in the store.
        goes_on: Id under which `scan --resume` finds the scan; None for one that is done.
    """

    review: Review
    stored: bool
    goes_on: str | None


class Keeper:
    """Use as a context manager around a scan.

    Attributes:
        failed: What the store said when it failed, None while it is well. The scan should stop then.

    Raises:
        StoreRefused: The store cannot be written, or there is no room for a spool; nothing was asked yet.
    """

    def __init__(self, store: Store, begun: Begun, earlier: TakenUp | None = None) -> None:
        self.begun = begun
        self.earlier = earlier
        self.failed: str | None = None
        self._store = store
        self._journal = Journal(store)
        self._spool = Spool(store, begun)

    def __enter__(self) -> Self:
        try:
            self._journal.begin(self.begun)
        except BaseException:
            self._spool.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._spool.close()

    async def keep(
        self, visits: Iterable[Visit], quiet: Mapping[tuple[str, int], bytes], sweep: Cost
    ) -> None:
        """Keep what was finished; a store that fails is not asked again.

        Args:
            sweep: What the sweep has cost so far.

        Raises:
            StoreRefused: The store and the spool have failed both.
        """
        finished = [visit for visit in visits if visit.outcome != "unfinished"]
        if not finished and not quiet:
            return
        if self.failed is None:
            try:
                await asyncio.to_thread(self._journal.keep, self.begun.id, finished, quiet, sweep)
                return
            except StoreRefused as exc:
                self.failed = str(exc)
        await asyncio.to_thread(self._spool.write, finished, quiet)

    def finish(self, review: Review, *, complete: bool) -> Kept:
        """Store the review of what was seen, and drop the journal of a scan that is complete.

        The review is not lost where the store has failed: `Kept.stored` says so, and the scan can be taken up.
        """
        scan = self.begun.id
        if self.failed is None:
            try:
                drop = (lambda db: Journal.forget_in(db, scan)) if complete else None
                stored = self._store.save(review, drop)
                return Kept(review=stored, stored=True, goes_on=None if complete else scan)
            except StoreRefused as exc:
                self.failed = str(exc)
        return Kept(review=review, stored=False, goes_on=scan)
