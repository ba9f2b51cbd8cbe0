"""One pass over a review: what reports count and show of all its devices at once, in little memory for each device."""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from functools import cached_property
from ipaddress import ip_address, ip_network
from typing import NamedTuple

from hardenprobe.judging.counts import Tally
from hardenprobe.model import Cost, Device, FindingDates, Result, Severity, Word
from hardenprobe.reports import reach
from hardenprobe.reports.marks import NONE, mark
from hardenprobe.reports.open_findings import OpenRow, open_rows
from hardenprobe.reports.plan_usage import PlanUsage
from hardenprobe.reports.source import Piece, Source
from hardenprobe.reports.view import View


class Kind(NamedTuple):
    """What results are counted by."""

    check: str
    word: Word
    severity: Severity | None
    accepted: bool


class Carried(NamedTuple):
    """What is open by what earlier reviews saw, and was not reassessed.

    Attributes:
        counts: Severity and "yes" or "no" for overdue to their number, those with a risk acceptance left out.
        accepted: How many have one.
        first: Those that are due first.
    """

    counts: Counter[tuple[str, str]]
    accepted: int
    first: list[OpenRow]

    @property
    def total(self) -> int:
        return self.counts.total() + self.accepted

    @property
    def overdue(self) -> int:
        return sum(number for (_, overdue), number in self.counts.items() if overdue == "yes")


CARRIED = 100
"""Findings of earlier reviews that are listed; the format tickets has all."""


class Survey(View):
    """A review's overview.

    Attributes:
        source: Where the devices can be read again.
        results: How many results there are of each kind.
        controls: Every control that a result names which was asked for.
        mended: Checks, each with a remedy of its findings.
        owned: Owner and "yes" or "no" for overdue to the number of open findings without a risk acceptance.
        dates: Device and remedy to the dates of that finding which is due first.
        met: Ids of the devices that were asked and answered.
        reach: What differs and what is against the policy first; empty where there is one vantage point.
    """

    def __init__(self, source: Source) -> None:
        self.source = source
        self.results: Counter[Kind] = Counter()
        self.controls: set[str] = set()
        self.mended: set[tuple[str, str]] = set()
        self.met: set[str] = set()
        self._places: dict[str, int] = {}
        self._marks: dict[str, bytearray] = {}
        tally = Tally()
        devices = []
        self.owned: Counter[tuple[str, str]] = Counter()
        self.dates: dict[tuple[str, str], FindingDates] = {}
        vantages = source.outline.vantages
        found: list[reach.Row] = []
        usage = PlanUsage(source.outline.head.usage_days)
        for piece in source.pieces():
            if len(vantages) > 1:
                found += reach.of_device(piece, vantages)
            devices.append(replace(piece.device, identity=(), services=(), cost=Cost()))
            self._date(piece)
            usage.add(piece)
            tally.add(piece.device.id, piece.results)
            if piece.device.services or piece.device.cost.connections or piece.device.cost.datagrams:
                self.met.add(piece.device.id)
            self._count(piece.device.id, piece.results)
        super().__init__(replace(source.outline, devices=tuple(devices)), tally, usage)
        self.checks = tuple(sorted(self._places))
        self.reach = reach.in_order(found)

    @cached_property
    def carried(self) -> Carried:
        """What is open as far as is known and was not reassessed; nothing for a review that is in memory."""
        counts: Counter[tuple[str, str]] = Counter()
        accepted = 0

        def rows() -> Iterator[OpenRow]:
            nonlocal accepted
            for row in open_rows(self.source):
                if not row.why:
                    continue
                if row.accepted(self.source.day):
                    accepted += 1
                else:
                    counts[str(row.result.severity), "yes" if row.dates.overdue else "no"] += 1
                yield replace(row, device=replace(row.device, identity=(), services=(), cost=Cost()))

        first = heapq.nsmallest(
            CARRIED, rows(), key=lambda row: (row.dates.due or "9", row.dates.open_since, row.key)
        )
        return Carried(counts, accepted, first)

    def _date(self, piece: Piece) -> None:
        for result in piece.results:
            dates = piece.dates.get(result.finding)
            if dates is None or not result.stands:
                continue
            self.owned[piece.device.owner or "not stated", "yes" if dates.overdue else "no"] += 1
            key = (piece.device.id, result.remedy or "")
            known = self.dates.get(key)
            if known is None or (dates.due or "9", dates.open_since) < (known.due or "9", known.open_since):
                self.dates[key] = dates

    def _count(self, device: str, results: tuple[Result, ...]) -> None:
        by_check: dict[str, list[Result]] = {}
        for result in results:
            by_check.setdefault(result.check, []).append(result)
            self.results[
                Kind(result.check, result.result, result.severity, result.exception is not None)
            ] += 1
            if result.result not in (Word.NOTSELECTED, Word.NOTCHECKED):
                self.controls.update(result.controls)
            if result.remedy:
                self.mended.add((result.check, result.remedy))
        row = bytearray()
        for check, found in by_check.items():
            place = self._places.setdefault(check, len(self._places))
            row.extend(NONE.code.encode() * (place + 1 - len(row)))
            row[place] = ord(mark(found).code)
        self._marks[device] = row

    def marks(self, device: str) -> str:
        """The codes of a device's marks, one for each of `checks`, in their order."""
        row = self._marks[device]
        wanted = (self._places[check] for check in self.checks)
        return "".join(chr(row[place]) if place < len(row) else NONE.code for place in wanted)

    def by_check(self) -> dict[str, Counter[str]]:
        """For each check, how many devices have which mark, by its code."""
        counts: dict[str, Counter[str]] = {check: Counter() for check in self.checks}
        for device in self.review.devices:
            for check, code in zip(self.checks, self.marks(device.id), strict=True):
                counts[check][code] += 1
        return counts


def network(device: Device) -> str:
    """The network that a device is shown under: the /24 or the /64 of its first address."""
    try:
        address = ip_address(device.addresses[0].address.partition("%")[0])
    except (ValueError, IndexError):
        return "no network"
    return str(ip_network((address, 24 if address.version == 4 else 64), strict=False))
