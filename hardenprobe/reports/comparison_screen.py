"""Two reviews compared on the screen: what asks for work first."""

from __future__ import annotations

import heapq
from collections.abc import Iterable

from rich.console import Console
from rich.text import Text

from hardenprobe.comparison.records import OPEN_KINDS, Change, DeviceChange, Kind, Named, Totals
from hardenprobe.comparison.stored import Comparison
from hardenprobe.model import Device
from hardenprobe.reports.screen import Screen
from hardenprobe.reports.text import CAUTION, SEVERITY_NOTE, counted, endpoint_text, visible

LONGEST = 20
"""Findings of each kind, facts and devices that are shown; the JSON holds all."""

_TERMS = {
    Kind.REOPENED: ("reopened", "was assessed as absent, and is open again"),
    Kind.NEW: ("new", "is open, and was not in the older review"),
    Kind.WORSENED: ("worsened", "its score rose"),
    Kind.NOT_ACCEPTED: ("no longer accepted", "its risk acceptance ended, expired or no longer covers it"),
    Kind.NOT_REASSESSED: ("not reassessed", "was open and not determined this time, so not counted as fixed"),
    Kind.UNCHANGED: ("unchanged", ""),
    Kind.IMPROVED: ("improved", "its score fell"),
    Kind.ACCEPTED: ("accepted", "its risk was accepted"),
    Kind.NOT_REQUIRED: (
        "no longer required",
        "what it is judged by changed, not the device, so not counted as fixed",
    ),
    Kind.FIXED: ("fixed", "was assessed again, and is absent"),
}
"""What people read for each kind, and what it means."""

_Listed = list[tuple[float, int, Device, Change]]


def show(comparison: Comparison, devices: Iterable[DeviceChange], console: Console) -> None:
    """Print a comparison while its devices are read; only what is shown is kept."""
    _Screen(console).show(comparison, devices)


class _Screen(Screen):
    def __init__(self, console: Console) -> None:
        super().__init__(console)
        self.kept: dict[Kind | str, _Listed] = {}
        self.drift: list[tuple[str, str, str, str, str]] = []
        self.drifts = 0
        self.owners: dict[str, tuple[int, int, str]] = {}
        self.alone: dict[str, list[tuple[str, str]]] = {"before": [], "now": [], "neither": []}

    def show(self, comparison: Comparison, devices: Iterable[DeviceChange]) -> None:
        for number, one in enumerate(devices):
            self._keep(number, one)
        totals = comparison.totals
        self._summary(comparison, totals)
        for kind in Kind:
            if kind is not Kind.UNCHANGED:
                self._findings(
                    _TERMS[kind][0].capitalize(), _TERMS[kind][1], self.kept.get(kind, []), totals.kinds[kind]
                )
        self._findings(
            "Overdue",
            "open past the day by which the baseline requires remediation",
            self.kept.get("overdue", []),
            totals.overdue,
        )
        self._owners()
        self._facts()
        self._met(totals)
        self._heading("Caution")
        self._line(CAUTION)

    def _keep(self, number: int, one: DeviceChange) -> None:
        for position, change in enumerate(one.changes):
            score = change.after.score or change.before.score or 0.0
            entry = (score, -(number * 10_000 + position), one.device, change)
            if change.kind in OPEN_KINDS and change.after.accepted_until is None:
                self._own(one.device.owner or "not stated", change)
            for kind in (change.kind, "overdue") if change.overdue else (change.kind,):
                heap = self.kept.setdefault(kind, [])
                (heapq.heappush if len(heap) < LONGEST else heapq.heappushpop)(heap, entry)
        self.drifts += len(one.drift)
        for fact in one.drift[: max(0, LONGEST * 2 - len(self.drift))]:
            self.drift.append(
                (one.device.label, fact.what, fact.where, fact.before or "-", fact.after or "-")
            )
        if one.met != "both" and len(self.alone[one.met]) < LONGEST:
            self.alone[one.met].append((one.device.label, _absence(one)))

    def _summary(self, comparison: Comparison, totals: Totals) -> None:
        self._line(f"Before: {_review(comparison.old)}")
        self._line(f"Now:    {_review(comparison.new)}")
        self._line(
            f"{counted(totals.devices['both'], 'device')} reached in both, {totals.devices['before']:,} only before, "
            f"{totals.devices['now']:,} only now, {totals.devices['neither']:,} in neither. "
            f"{totals.told_before:,} results were determined before, {totals.told_now:,} now."
        )
        self._line(SEVERITY_NOTE, "dim")
        for notice in comparison.notices:
            self._line(f"Notice: {visible(notice)}")
        self._heading("Findings")
        table = self._table(("", "word"), ("Findings", "number"), ("Which means", "text"))
        for kind in Kind:
            if totals.kinds[kind]:
                table.add_row(_TERMS[kind][0], f"{totals.kinds[kind]:,}", _TERMS[kind][1])
        if not sum(totals.kinds.values()):
            self._line("Neither review has any.")
        else:
            self.console.print(table)

    def _findings(self, title: str, means: str, listed: _Listed, number: int) -> None:
        if not number:
            return
        self._heading(title)
        self._line(f"{counted(number, 'finding')}: {means}.")
        table = self._table(
            ("Device", "name"),
            ("Severity", "word"),
            ("Open", "text"),
            ("Finding, and why it changed", "text"),
        )
        for _, _, device, change in sorted(listed, key=lambda entry: entry[:2], reverse=True):
            said = self._text(_what(device, change))
            if change.causes:
                said = Text("\n").join((said, self._text(_why(change), "dim", limit=500)))
            table.add_row(
                self._text(device.label, limit=60),
                str(change.after.severity or change.before.severity or "-"),
                Text("\n").join(map(Text, _open(change))),
                said,
            )
        self.console.print(table)
        self._more(number, len(listed), "finding")

    def _own(self, owner: str, change: Change) -> None:
        number, overdue, first = self.owners.get(owner, (0, 0, ""))
        due = min(filter(None, (first, change.due)), default="")
        self.owners[owner] = (number + 1, overdue + change.overdue, due)

    def _owners(self) -> None:
        """Who has work to do, the one whose first finding is due first above."""
        if not self.owners:
            return
        self._heading("Open findings by owner and due date")
        table = self._table(
            ("Owner", "name"), ("Open", "number"), ("Overdue", "number"), ("First due", "text")
        )
        ranked = sorted(self.owners.items(), key=lambda one: (one[1][2] or "9", one[0]))
        for owner, (number, overdue, due) in ranked[:LONGEST]:
            table.add_row(self._text(owner, limit=60), f"{number:,}", f"{overdue:,}", due or "-")
        self.console.print(table)
        self._more(len(ranked), min(len(ranked), LONGEST), "owner")

    def _facts(self) -> None:
        if not self.drifts:
            return
        self._heading("Facts that differ")
        table = self._table(
            ("Device", "name"), ("What", "text"), ("Where", "text"), ("Before", "text"), ("Now", "text")
        )
        for row in self.drift:
            table.add_row(*(self._text(cell, limit=200) for cell in row))
        self.console.print(table)
        self._more(self.drifts, len(self.drift), "fact")

    def _met(self, totals: Totals) -> None:
        for met, title in (
            ("before", "Reached before and not now"),
            ("neither", "Reached in neither review, with findings still open"),
            ("now", "Reached now and not before"),
        ):
            if self.alone[met]:
                self._heading(title)
                for label, why in self.alone[met]:
                    self._line(f"{visible(label, 60)}{visible(why)}")
                self._more(totals.devices[met], len(self.alone[met]), "device")

    def _more(self, number: int, shown: int, what: str) -> None:
        if number > shown:
            self._line(f"and {counted(number - shown, f'more {what}')}; --json lists all", "dim")


def _absence(one: DeviceChange) -> str:
    """Since when a device is gone, why it was not met, and what is open of it."""
    if one.not_met is None:
        return ""
    left = sum(change.kind in OPEN_KINDS for change in one.changes)
    last = f"last met {one.last_met[:10]}; " if one.last_met else ""
    return f": {last}{one.not_met.text}; {counted(left, 'finding')} still open"


def _review(one: Named) -> str:
    began = one.started[:16].replace("T", " ")
    if one.finished and one.finished[:10] != one.started[:10]:
        began += f" to {one.finished[:16].replace('T', ' ')}"
    return f"{one.id}  {began} UTC  scope {one.scope}  {counted(one.devices, 'device')}"


def _what(device: Device, change: Change) -> str:
    said = f"{change.check}, {endpoint_text(change.endpoint, device)}"
    return f"{said}, {change.subject}" if change.subject else said


def _open(change: Change) -> list[str]:
    if change.days_open is None:
        return [f"{change.first_seen[:10]} to", change.last_seen[:10]]
    said = [counted(change.days_open, "day")]
    if change.due:
        said.append(f"due {change.due}")
    if change.overdue:
        said.append("overdue")
    return said


def _why(change: Change) -> str:
    return "; ".join(f"{cause.why}: {cause.text}" for cause in change.causes)
