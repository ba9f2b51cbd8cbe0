"""The screen at the end of a scan. Severity is a word and a mark; weight and one colour only help the eye."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from hardenprobe.judging.counts import Tally
from hardenprobe.model import Review, Severity
from hardenprobe.reports.screen import Screen
from hardenprobe.reports.text import (
    CAUTION,
    SEVERITIES,
    SEVERITY_NOTE,
    counted,
    elsewhere_text,
    ports_text,
    reason_text,
    retired_text,
    visible,
)
from hardenprobe.reports.view import View

LONGEST = 20
"""Entries of a coverage list that are shown; the reports hold all."""

_MARKS = {Severity.HIGH: "!!!", Severity.MEDIUM: "!!", Severity.LOW: "!"}
_WEIGHTS = {Severity.HIGH: "bold", Severity.MEDIUM: "", Severity.LOW: "dim"}


def show(review: Review, console: Console, tally: Tally | None = None) -> None:
    """Print a review: summary, what to do first, devices, what could not be determined, coverage, caution."""
    _Screen(review, console, tally).show()


class _Screen(Screen):
    def __init__(self, review: Review, console: Console, tally: Tally | None = None) -> None:
        super().__init__(console)
        self.view = View(review, tally)
        self.review = review

    def show(self) -> None:
        self._summary()
        self._what_first()
        self._devices()
        self._untold()
        self._people()
        self._coverage()
        self._heading("Caution")
        self._line(CAUTION)

    def _severity(self, severity: Severity | None) -> Text:
        if severity is None:
            return Text("not rated")
        return Text(f"{severity} {_MARKS[severity]}", style=_WEIGHTS[severity])

    def _count(self, number: int, style: str = "") -> Text:
        return Text(str(number), style=style) if number else Text("-", style="dim")

    def _summary(self) -> None:
        self._line(self.view.summary())
        self._line(SEVERITY_NOTE, "dim")
        for notice in self.review.notices:
            self._line(f"Notice: {visible(notice)}")
        if self.view.lapsed:
            self._list("Exceptions that count no longer", self.view.lapsed)

    def _what_first(self) -> None:
        self._heading("What to do first")
        if not self.review.what_first:
            self._line("No remedy is called for by what could be determined.")
            return
        table = self._table(
            ("No.", "number"), ("Remedy", "text"), ("Devices", "number"), ("Findings", "number"), ("Worst", "word"),
            ("Waits for", "text"),
        )  # fmt: skip
        for advice in self.review.what_first:
            table.add_row(
                str(advice.rank),
                self._text(advice.remedy.title),
                str(len(advice.devices)),
                str(len(advice.findings)),
                self._severity(advice.worst),
                self._text(self.view.waits_for(advice)),
            )
        self.console.print(table)

    def _devices(self) -> None:
        self._heading("Devices")
        if not self.review.devices:
            self._line("None.")
            return
        # On a narrow screen the place would squeeze the counts out; it stands in every written report.
        place = [("Place", "text")] if self.console.width >= 100 else []
        table = self._table(
            ("Device", "name"), ("Address", "word"), ("Kind", "word"), *place, ("High", "number"),
            ("Med.", "number"), ("Low", "number"), ("Worst", "number"), ("Checks told", "number"),
        )  # fmt: skip
        for device in self.view.devices:
            counts = self.view.counts[device.id]
            table.add_row(
                self._text(device.label, limit=60),
                Text("\n").join(self._text(address.address) for address in device.addresses),
                self._text(device.kind, limit=16),
                *(self._text(device.place or "", limit=60) for _ in place),
                *(self._count(counts.standing[severity], _WEIGHTS[severity]) for severity in SEVERITIES),
                Text("-", style="dim") if counts.worst is None else Text(str(counts.worst)),
                Text(f"{counts.determined}/{counts.checks}"),
            )
        self.console.print(table)

    def _untold(self) -> None:
        self._heading("What could not be determined, and why")
        if not self.view.untold:
            self._line("Everything that was asked could be determined.")
            return
        table = self._table(("Check", "text"), ("Result", "word"), ("Why", "text"), ("Devices", "number"))
        for group in self.view.untold:
            why = f"{group.reason}: {reason_text(group.reason)}" if group.reason else reason_text(None)
            why = visible(group.error) if group.error else why
            table.add_row(self._text(group.check), Text(group.word), self._text(why), str(len(group.devices)))
        self.console.print(table)

    def _people(self) -> None:
        """The controls that people answer for, and the list of what is missing."""
        if not self.view.people:
            return
        self._heading("What people answer for")
        self._line(self.view.people_summary())
        for state in ("expired", "unanswered"):
            missing = [one for one in self.view.unanswered if one.state == state]
            if missing:
                names = ", ".join(f"{one.control} ({len(one.devices)})" for one in missing)
                self._line(f"{state.capitalize()}, with how many devices: {names}")

    def _coverage(self) -> None:
        coverage = self.review.coverage
        self._heading("Coverage")
        planned = counted(coverage.planned, "address", "addresses")
        self._line(f"{planned} planned, {coverage.visited:,} visited, {coverage.answered:,} answered.")
        self._list(
            "Listed and not seen",
            [f"{one.asset_tag} ({', '.join(one.addresses)}): {one.why}" for one in self.view.missed],
        )
        if self.view.elsewhere:
            self._line(f"Listed at addresses that this scan did not ask: {self.view.elsewhere}")
        self._list(
            "Seen and not listed",
            [f"{one.address} ({self.view.label(one.device)})" for one in coverage.seen_not_listed],
        )
        if coverage.listed_seen:
            self._line(f"Listed and seen: {len(coverage.listed_seen):,}")
        if coverage.seen_elsewhere:
            self._list("Listed and seen otherwise", [elsewhere_text(one) for one in coverage.seen_elsewhere])
        if coverage.retired_seen:
            self._list("Retired and seen again", [retired_text(one) for one in coverage.retired_seen])
        if coverage.accepted or coverage.not_accepted:
            self._line(f"Accepted into the fleet: {len(coverage.accepted):,} of those seen")
            self._list("Not accepted yet", [self.view.label(one) for one in coverage.not_accepted])
        self._list("Excluded", coverage.excluded)
        self._list("Unfinished", coverage.unfinished)
        self._line(f"TCP ports looked at: {ports_text(coverage.tcp_ports)}")
        self._line(f"UDP ports looked at: {ports_text(coverage.udp_ports)}")

    def _list(self, title: str, entries: Sequence[str]) -> None:
        if not entries:
            self._line(f"{title}: none")
            return
        self._line(f"{title}: {len(entries)}")
        for entry in entries[:LONGEST]:
            self._line(visible(entry), indent=2)
        if len(entries) > LONGEST:
            self._line(f"and {len(entries) - LONGEST} more; a report holds all of them", indent=2)
