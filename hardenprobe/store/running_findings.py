"""Findings of a scan in progress, for whoever watches it: each visit that its journal has is judged by itself, once.

What rests on the whole fleet, such as a key that two devices share, and what a device shows at its other addresses is only
known at the end. Nothing is written.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.devices.identity import settle
from hardenprobe.devices.visit_notes import VisitNotes
from hardenprobe.errors import StoreRefused
from hardenprobe.judging.judgement import Judgement
from hardenprobe.model import Coverage, Head, Review, Word
from hardenprobe.model.rows import read_device, read_observations
from hardenprobe.model.visit import ScanRecord, Visit
from hardenprobe.scanning.request import ScanRequest
from hardenprobe.scope import clock
from hardenprobe.store.journal import Journal
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.store import UNREADABLE, Store


class RunningFindings:
    """Judges the visits of a scan in progress.

    Attributes:
        found: By vantage point, open findings so far.

    Raises:
        UsageError: Its inventory, baseline or another of its files cannot be read here.
        StoreRefused: The store cannot be read.
    """

    def __init__(self, store: Store, begun: ScanRecord) -> None:
        try:
            request = ScanRequest.of(begun.request)
        except UNREADABLE as exc:
            raise StoreRefused(f"scan {begun.id} cannot be read; it was changed from outside") from exc
        self._job, rules = request.prepare()
        plan = self._job.plan
        head = Head(
            id=begun.id, started=begun.started, finished=None, operator="", scope=begun.scope, reach=plan.reach,
            plan_hash=plan.hash, authorisation=plan.authorisation, selected=tuple(sorted(plan.checks)),
            rechecks=self._job.again.review if self._job.again else None,
            rechecked=self._job.again.findings if self._job.again else (),
            clock=clock.prove(plan.scope, [str(end) for one in plan.targets for end in (one.first, one.last)]),
        )  # fmt: skip
        outline = Review(
            head=head, coverage=Coverage(), vantages=plan.vantages, devices=(), results=(), observations={}
        )
        self._judgement = Judgement(outline, rules.baseline, rules.registry, Ledger(store).decisions())
        self._journal = Journal(store)
        self._scan = begun.id
        self._judged: set[tuple[str, str]] = set()
        self.found: Counter[str] = Counter()

    def update(self) -> None:
        """Judge what was finished since the last time.

        Raises:
            StoreRefused: A visit cannot be read.
        """
        for visit in self._journal.visits_beside(self._scan, self._judged):
            self._judged.add((visit.address, visit.vantage))
            self.found[visit.vantage] += self._open(visit)

    def _open(self, visit: Visit) -> int:
        plan, inventory = self._job.plan, self._job.inventory
        entry = inventory.by_address.get(visit.address)
        # Some entry, where the address is in none: an inventory without any says nothing of who is not listed.
        listed = (entry,) if entry else inventory.devices[:1]
        here = replace(inventory, devices=listed, by_address={visit.address: entry} if entry else {})
        vantages = tuple(one for one in plan.vantages if one.name == visit.vantage)
        fleet = settle(
            VisitNotes.of([visit]),
            here,
            plan.names,
            Coverage(),
            planned=AddressSet.of([visit.address]),
            vantages=vantages,
        )
        count = 0
        for part in fleet:
            device = read_device(part.record)
            if visit.address not in {one.address for one in device.addresses}:
                continue
            seen = {device.id: tuple(read_observations(part.observations))}
            results = self._judgement.fresh().part((device,), seen)[2]
            count += sum(
                one.result is Word.FAIL and not one.exception and one.vantage == visit.vantage
                for one in results
            )
        return count
