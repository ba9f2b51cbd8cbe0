"""Keeps a scan's visits as they come: in the store's journal, and in the spool from the moment that the store fails."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Any, Self, TypeVar

from sqlalchemy import Connection

from hardenprobe.devices.matching import Met
from hardenprobe.devices.visit_notes import VisitNotes
from hardenprobe.errors import StoreHeld, StoreRefused
from hardenprobe.model import Cost, InputFile, Review
from hardenprobe.model.review_rows import rows_of
from hardenprobe.model.rows import read_some
from hardenprobe.model.usage import UsageSource, Use
from hardenprobe.model.visit import ResumableScan, ScanRecord, Visit
from hardenprobe.store import input_files, requests, usage
from hardenprobe.store.journal import Journal
from hardenprobe.store.known_devices import known_devices
from hardenprobe.store.spool import Spool, folder
from hardenprobe.store.store import Store
from hardenprobe.usage import device_tables

R = TypeVar("R")


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


PATIENCE = 75.0  # seconds that another process may hold the store: a minute, and what a busy machine adds


def patiently(write: Callable[..., R], *what: Any) -> R:
    """Write to a store that other scans write to as well.

    Raises:
        StoreRefused: It cannot be written, or another process still holds it after `PATIENCE`.
    """
    until = time.monotonic() + PATIENCE
    while True:
        try:
            return write(*what)
        except StoreHeld:
            if time.monotonic() > until:
                raise


class Keeper:
    """Use as a context manager around a scan.

    Attributes:
        visits: What is remembered of each.
        failed: What the store said when it failed, None while it is well. The scan should stop then.
        clock_notice: That this machine's clock was set back since the newest review of the scope; "" where it was not.

    Raises:
        StoreRefused: The store cannot be written, or there is no room for a spool; nothing was asked yet.
    """

    def __init__(self, store: Store, begun: ScanRecord, earlier: ResumableScan | None = None) -> None:
        self.begun = begun
        self.earlier = earlier
        self.failed: str | None = None
        self.clock_notice = ""
        self._store = store
        self._journal = Journal(store)
        self._spool = Spool(store, begun)
        self._turn = asyncio.Lock()
        self._writer = ThreadPoolExecutor(1)  # threads that take turns would each hold memory of their own
        # All of it once more, for a store that goes away with what it held.
        self.visits = VisitNotes(folder(store))
        self._quiet: dict[tuple[str, int], bytes] = {}
        self._sweep = earlier.sweep if earlier else Cost()
        if earlier:
            self._quiet.update({key: bytes(block) for key, block in earlier.quiet.blocks.items()})

    def __enter__(self) -> Self:
        try:
            # One that goes on keeps its first day, and may well be older than others.
            if self.earlier is None:
                self.clock_notice = _clock_notice(self._store, self.begun)
            patiently(self._journal.begin, self.begun)
        except BaseException:
            self._spool.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._writer.shutdown()
        self._spool.close()

    def keep_inputs(self, files: Iterable[InputFile]) -> None:
        """Keep the files that the scan's review will rest on.

        Raises:
            StoreRefused: The store cannot be written.
        """
        patiently(input_files.keep, self._store, files)

    def known_devices(self) -> tuple[Met, ...]:
        """The devices that earlier reviews of the scope met."""
        return known_devices(self._store, self.begun.scope) if self.failed is None else ()

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
        async with self._turn:
            self._quiet.update(quiet)
            self._sweep = sweep
            if self.failed is None:
                try:
                    await self._write(patiently, self._journal.keep, self.begun.id, finished, quiet, sweep)
                except StoreRefused as exc:
                    await self._write(self._fall_back, str(exc), finished, quiet)
            else:
                await self._write(self._spool.write, finished, quiet, sweep)

    async def _write(self, write: Callable[..., None], *what: Any) -> None:
        await asyncio.get_running_loop().run_in_executor(self._writer, write, *what)

    def _fall_back(
        self, failed: str, finished: Iterable[Visit], quiet: Mapping[tuple[str, int], bytes]
    ) -> None:
        """Spool what the store did not take, or everything where the store itself is gone."""
        self.failed = failed
        try:
            self._store.still_there()
        except StoreRefused as gone:
            self.failed = str(gone)
            finished = (one.whole() for one in self.visits if one.visit.outcome != "unfinished")
            quiet = self._quiet
        self._spool.write(finished, quiet, self._sweep)

    def finish(self, review: Review, *, complete: bool) -> Kept:
        """Store the review of what was seen, and drop the journal of a scan that is complete.

        The review is not lost where the store has failed: `Kept.stored` says so, and the scan can be taken up.
        """
        scan = self.begun.id
        if self.clock_notice:
            review = replace(review, notices=(self.clock_notice, *review.notices))
        if self.failed is None:
            try:
                used = _reported_use(review) if review.head.judged_from is None else None

                def beside(db: Connection) -> None:
                    if complete:
                        Journal.forget_in(db, scan)
                    if review.head.rechecks is None:
                        requests.keep(db, review.head.id, self.begun.request)
                    if used:
                        usage.insert(db, *used)

                stored = patiently(self._store.save, review, beside)
                return Kept(review=stored, stored=True, goes_on=None if complete else scan)
            except StoreRefused as exc:
                self._fall_back(str(exc), (), {})
        return Kept(review=review, stored=False, goes_on=scan)


def _reported_use(review: Review) -> tuple[UsageSource, tuple[Use, ...]] | None:
    """Who used what, by the tables that the scan read."""
    ours = {source for one in review.vantages for source in (one.source, *one.sources) if source}
    seen = (one for part in rows_of(review) for one in read_some(part.observations, (device_tables.KIND,)))
    return device_tables.collect(review.head.id, seen, ours)


def _clock_notice(store: Store, begun: ScanRecord) -> str:
    """Say that a scan begins, by this machine's clock, before a review of its scope that is stored already."""
    later = [one for one in store.begun_since(begun.started) if one[1] == begun.scope]
    if not later:
        return ""
    review, _, started = later[-1]
    return (
        f"this scan began at {begun.started} by this machine's clock, before review {review} of the same scope, which began at "
        f"{started} and was stored earlier: one of the two clocks was wrong, and days are counted as they were stated"
    )
