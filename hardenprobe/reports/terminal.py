"""The screen at the end of a scan. Severity is a word and a mark; weight and one colour only help the eye.

The first screen answers on 80 columns and 24 lines what was assessed, what is open, what to do first, what was not
determined and what to run next; everything else is printed for `--details`.
"""

from __future__ import annotations

import io
import shutil
from collections.abc import Sequence
from dataclasses import replace
from typing import BinaryIO

from rich.console import Console
from rich.text import Text

from hardenprobe.judging.counts import Tally
from hardenprobe.model import Advice, Review, Severity
from hardenprobe.reports.open_findings import open_rows
from hardenprobe.reports.plan_usage import PlanUsage
from hardenprobe.reports.screen import Screen
from hardenprobe.reports.source import Source
from hardenprobe.reports.text import (
    CAUTION,
    RISK_NOTE,
    SEVERITIES,
    SEVERITY_NOTE,
    capture_text,
    counted,
    elsewhere_text,
    ports_text,
    reason_name,
    reason_text,
    retired_text,
    visible,
)
from hardenprobe.reports.view import View

LONGEST = 20
"""Entries of a coverage list that are shown; the reports hold all."""

FIRST = 5
"""Remediations on the first screen."""

REASONS_SHOWN = 4
"""Reasons on the first screen; what is beyond is one line."""

NOTICES_SHOWN = 2
"""Notices on the first screen."""

SHORT_CAUTION = "Caution: authorised people only; local policy and device documentation first."

USERS_SHOWN = 2
"""Lines on the users of a remediation's services on the first screen."""

_MARKS = {Severity.HIGH: "!!!", Severity.MEDIUM: "!!", Severity.LOW: "!"}
_WEIGHTS = {Severity.HIGH: "bold", Severity.MEDIUM: "", Severity.LOW: "dim"}


def show(
    review: Review,
    console: Console,
    tally: Tally | None = None,
    usage: PlanUsage | None = None,
    *,
    details: bool = False,
    store: str | None = None,
    carried: int = 0,
) -> None:
    """Print a review.

    Args:
        tally: The counts, where the review is given without its results.
        usage: Who uses what the plan changes, where that is known.
        details: Print everything, not only the first screen.
        store: Where the review is kept, for the command to run next; None for the usual place.
        carried: How many findings of earlier reviews are open as far as is known and were not reassessed.
    """
    screen = _Screen(review, console, tally, usage, carried)
    screen.first(store, details=details)
    if details:
        screen.details()


def write(source: Source, out: BinaryIO, *, details: bool = False, store: str | None = None) -> None:
    """Write what `show` prints, as UTF-8 in the width of the terminal."""
    tally, usage = Tally(), PlanUsage(source.outline.head.usage_days)
    devices = []
    for piece in source.pieces():
        tally.add(piece.device.id, piece.results)
        usage.add(piece)
        devices.append(piece.device)
    text = io.StringIO()
    width = shutil.get_terminal_size((80, 24)).columns
    console = Console(file=text, width=width, color_system=None, force_terminal=False, legacy_windows=False)
    review = replace(source.outline, devices=tuple(devices))
    carried = sum(bool(row.why) for row in open_rows(source))
    show(review, console, tally, usage, details=details, store=store, carried=carried)
    out.write(text.getvalue().encode("utf-8", "backslashreplace"))


class _Screen(Screen):
    def __init__(
        self,
        review: Review,
        console: Console,
        tally: Tally | None = None,
        usage: PlanUsage | None = None,
        carried: int = 0,
    ) -> None:
        super().__init__(console)
        self.carried = carried
        self.view = View(review, tally, usage)
        self.review = review

    # ---- the first screen

    def first(self, store: str | None, *, details: bool) -> None:
        head = self.review.head
        self._line(
            f"{visible(head.scope)}, {head.started[:16].replace('T', ' ')} UTC, test level {head.reach}, "
            f"baseline {self.view.baselines}",
            "bold",
        )
        if head.interrupted:
            self._line("The scan was stopped before it was complete.", "bold")
        for line in self.view.origin():
            self._line(line)
        self._assessed()
        self._open_findings()
        self._notices()
        self._first_remediations(details=details)
        self._reasons()
        place = f" --store {store}" if store else ""
        report = f"hardenprobe report {head.id}{place}"
        next_ = f"Next: {report} --format html -o report.html"
        self._line(next_, folded=False)
        self._line(SHORT_CAUTION)

    def _assessed(self) -> None:
        view, coverage = self.view, self.review.coverage
        if not coverage.answered:
            self._pair("Assessed", "no device: none answered, so nothing was determined")
            return
        if not view.expected:
            devices = counted(view.assessed, "device")
            self._pair("Assessed", f"{devices}; without an inventory, none was expected")
            return
        said = f"{view.expected_reached:,} of {view.expected:,} expected"
        if coverage.seen_not_listed:
            said += f" + {len(coverage.seen_not_listed):,} not in inventory"
        if view.missed:
            tags = [visible(one.asset_tag, 40) for one in view.missed]
            said += f"; not reached: {', '.join(tags[:2])}" + (f", +{len(tags) - 2}" if len(tags) > 2 else "")
        self._pair("Assessed", said)

    def _open_findings(self) -> None:
        total = sum(self.view.standing.values())
        counts = ", ".join(f"{self.view.standing[one]:,} {one} {_MARKS[one]}" for one in SEVERITIES)
        accepted = f"; {self.view.accepted:,} accepted" if self.view.accepted else ""
        carried = f"; {self.carried:,} of earlier reviews not reassessed" if self.carried else ""
        said = f"{total:,} open: {counts}" if total else self.view.none_open
        self._pair("Findings", said + accepted + carried)

    def _notices(self) -> None:
        notices = [*(f"Notice: {one}" for one in self.review.notices), *self.view.lapsed]
        for notice in notices[:NOTICES_SHOWN]:
            self._line(visible(notice), hang=2)
        if len(notices) > NOTICES_SHOWN:
            self._line(f"{counted(len(notices) - NOTICES_SHOWN, 'more notice')}: --details")

    def _first_remediations(self, *, details: bool) -> None:
        plan = self.review.what_first
        if not plan:
            if self.view.asked:
                self._line("No remediation is needed for what was determined.")
            return
        shown = plan[:FIRST]
        reduced = self.view.risk - self.view.risk_left[len(shown)]
        self.console.print()
        share = f", {100 * reduced / self.view.risk:.0f} % of the risk" if self.view.risk else ""
        rest = "" if details else " (all: --details)"
        self._line(
            f"What to do first: {len(shown)} of {counted(len(plan), 'remediation')}{share}{rest}", "bold"
        )
        for advice in shown:
            self._remediation(advice)

    def _remediation(self, advice: Advice) -> None:
        why = self.view.placed(advice)
        worth = f"{advice.worst} {_MARKS[advice.worst]} risk -{advice.risk_removed:,.1f}"
        room = self.console.width - 3 - len(worth) - 1
        title = visible(advice.remedy.title)
        title = title if len(title) <= room else title[: max(8, room - 1)].rstrip() + "…"
        self._line(f"{advice.rank:>2} {title:<{max(1, room)}} {worth}", _WEIGHTS[advice.worst])
        devices = counted(len(advice.devices), "device")
        self._fitted(f"{devices}: ", advice.devices, f" ({why})" if why else "")
        for line in self.view.usage.lines(advice.remedy.id)[:USERS_SHOWN]:
            self._line(line, indent=3)

    def _fitted(self, before: str, devices: Sequence[str], after: str) -> None:
        """One line with as many device names as it has room for."""
        room = self.console.width - 3 - len(before) - len(after)
        self._line(f"{before}{self.view.names_within(devices, room)}{after}", "dim", indent=3)

    def _reasons(self) -> None:
        view = self.view
        missing = view.asked - view.told
        if not missing:
            if view.asked:
                self._line("Every result of the scan was determined.")
        else:
            self._line(f"Not determined: {missing:,} of {counted(view.asked, 'result')}", "bold")
        for (check, origin, said), devices in list(view.tally.broken_checks.items())[:3]:
            whose = "hardenprobe's own check" if origin == "hardenprobe" else f"check of {origin}"
            self._line(
                f"error in {check} ({whose}) on {view.names(devices, 2)}: {visible(said, 160)}",
                "bold",
                indent=2,
            )
        unattested = view.people["expired"] + view.people["unanswered"]
        counts, room = view.not_determined, REASONS_SHOWN - bool(unattested)
        kept = counts if len(counts) <= room else counts[: room - 1]
        for reason, number in kept:
            self._line(f"{number:>5,}  {reason_text(reason)}")
        if rest := counts[len(kept) :]:
            names = ", ".join(reason_name(reason) for reason, _ in rest)
            self._line(f"{sum(number for _, number in rest):>5,}  for other reasons: {names}", hang=7)
        if unattested:
            self._line(f"{unattested:>5,}  attestations missing, for controls assessed manually")

    def _pair(self, title: str, said: str) -> None:
        self._line(f"{title:<8}  {said}", hang=10)

    # ---- everything else

    def details(self) -> None:
        self._heading("Scan")
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
            self._list("Risk acceptances that no longer apply", self.view.lapsed)

    def _what_first(self) -> None:
        self._heading("Remediation plan")
        if not self.review.what_first:
            self._line("No remediation is needed for what was determined.")
            return
        self._line(RISK_NOTE, "dim")
        for advice, left in zip(self.review.what_first, self.view.risk_left[1:], strict=True):
            self._line(f"{advice.rank:>2} {visible(advice.remedy.title)}", _WEIGHTS[advice.worst], hang=3)
            facts = [
                f"{advice.worst} {_MARKS[advice.worst]}",
                f"reduces risk by {advice.risk_removed:,.1f} to {left:,.1f}",
                counted(len(advice.findings), "finding"),
                self.view.effort(advice),
            ]
            if why := self.view.placed(advice):
                facts.append(why)
            self._line("; ".join(facts), indent=3)
            self._line(self.view.names(advice.devices, LONGEST), indent=3)
            if waits := self.view.waits_for(advice):
                self._line(f"After {waits}", indent=3)
            for line in self.view.left(advice):
                self._line(f"Administration left on {line}", indent=3)
            for line in self.view.usage.lines(advice.remedy.id):
                self._line(line, indent=3)

    def _devices(self) -> None:
        self._heading("Devices")
        if not self.review.devices:
            self._line("None.")
            return
        # On a narrow screen the place would squeeze the counts out; it stands in every written report.
        place = [("Place", "text")] if self.console.width >= 100 else []
        table = self._table(
            ("Device", "name"), ("Address", "word"), ("Kind", "word"), *place, ("High", "number"),
            ("Med.", "number"), ("Low", "number"), ("Score", "number"), ("Determined", "word"),
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
        self._heading("Not determined, by check and reason")
        if not self.view.untold:
            self._line("Every result was determined.")
            return
        table = self._table(("Check", "text"), ("Result", "word"), ("Reason", "text"), ("Devices", "number"))
        for group in self.view.untold:
            why = f"{group.reason}: {reason_text(group.reason)}" if group.reason else reason_text(None)
            why = visible(group.error) if group.error else why
            table.add_row(self._text(group.check), Text(group.word), self._text(why), str(len(group.devices)))
        self.console.print(table)

    def _people(self) -> None:
        """Attestations, and the list of those that are missing."""
        if not self.view.people:
            return
        self._heading("Controls assessed manually")
        self._line(self.view.people_summary())
        for state in ("expired", "unanswered"):
            missing = [one for one in self.view.unanswered if one.state == state]
            self._list(
                state.capitalize(), [f"{one.control} on {self.view.names(one.devices, 3)}" for one in missing]
            )

    def _coverage(self) -> None:
        coverage = self.review.coverage
        self._heading("Coverage")
        planned = counted(coverage.planned, "address", "addresses")
        self._line(f"{planned} planned, {coverage.visited:,} visited, {coverage.answered:,} reached.")
        self._list(
            "Expected but not reached",
            [f"{one.asset_tag} ({', '.join(one.addresses)}): {one.why}" for one in self.view.missed],
        )
        if self.view.elsewhere:
            self._line(f"In the inventory at addresses outside this scan: {self.view.elsewhere}")
        self._list(
            "Reached but not in inventory",
            [f"{one.address} ({self.view.label(one.device)})" for one in coverage.seen_not_listed],
        )
        if coverage.listed_seen:
            self._line(f"Expected and reached: {len(coverage.listed_seen):,}")
        if coverage.seen_elsewhere:
            self._list(
                "Expected and reached, with another address or name",
                [elsewhere_text(one) for one in coverage.seen_elsewhere],
            )
        if coverage.not_assessed:
            told = [
                f"{one.address} ({self.view.label(one.device)}, known by {one.told_by}): {one.why}"
                for one in coverage.not_assessed
            ]
            self._list("Addresses known of devices and not assessed", told)
        if coverage.retired_seen:
            self._list("Retired but reached", [retired_text(one) for one in coverage.retired_seen])
        if coverage.accepted or coverage.not_accepted:
            self._line(f"Accepted into the fleet: {len(coverage.accepted):,} of those reached")
            self._list("Not accepted yet", [self.view.label(one) for one in coverage.not_accepted])
        if coverage.captures:
            self._list("Captures", [capture_text(one) for one in coverage.captures])
        self._list("Excluded", coverage.excluded)
        self._list("Unfinished", coverage.unfinished)
        self._line(f"TCP ports: {ports_text(coverage.tcp_ports)}")
        self._line(f"UDP ports: {ports_text(coverage.udp_ports)}")

    def _list(self, title: str, entries: Sequence[str]) -> None:
        if not entries:
            self._line(f"{title}: none")
            return
        self._line(f"{title}: {len(entries)}")
        for entry in entries[:LONGEST]:
            self._line(visible(entry), indent=2)
        if len(entries) > LONGEST:
            self._line(f"and {len(entries) - LONGEST} more; a report holds all of them", indent=2)
