"""Findings before and after a recheck on the screen: side by side, one after the other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from hardenprobe.model import Cost, Review
from hardenprobe.recheck.outcome import FindingComparison, RecheckedFinding, Side, Standing
from hardenprobe.reports.screen import Screen
from hardenprobe.reports.text import CAUTION, SEVERITY_NOTE, counted, endpoint_text, visible

_SAID: dict[Standing, str] = {"stands": "open", "gone": "fixed", "unknown": "not reassessed"}
_WEIGHTS: dict[Standing, str] = {"stands": "bold", "gone": "", "unknown": "dim"}


def show(
    findings: Sequence[FindingComparison],
    asked: Sequence[RecheckedFinding],
    now: Review,
    notices: Sequence[str],
    console: Console,
) -> None:
    """Print what became of each finding, what it cost to assess, and the caution."""
    _Screen(console).show(findings, asked, now, notices)


class _Screen(Screen):
    def show(
        self,
        findings: Sequence[FindingComparison],
        asked: Sequence[RecheckedFinding],
        now: Review,
        notices: Sequence[str],
    ) -> None:
        count = Counter(one.standing for one in findings)
        told = ", ".join(f"{count[word]} {said}" for word, said in _SAID.items())
        self._line(f"{counted(len(findings), 'finding')} assessed again: {told}.")
        self._line(SEVERITY_NOTE, "dim")
        for notice in (*notices, *now.notices):
            self._line(f"Notice: {visible(notice)}")
        for one in findings:
            self._finding(one)
        self._cost(asked)
        self._heading("Caution")
        self._line(CAUTION)

    def _finding(self, one: FindingComparison) -> None:
        subject = f", {visible(one.subject, 120)}" if one.subject else ""
        self._heading(
            f"{visible(one.label, 60)}: {visible(one.check, 60)}, {endpoint_text(one.endpoint)}{subject}"
        )
        self.console.print(
            Text.assemble(
                (_SAID[one.standing], _WEIGHTS[one.standing]),
                ": ",
                self._text(one.why),
                f"  ({visible(one.finding, 40)})",
            ),
            highlight=False,
        )
        table = self._table(("", "word"), ("Before", "text"), ("After", "text"))
        sides = (one.before, one.after)
        for title, said in (
            ("result", [_word(side) for side in sides]),
            ("observed", [side.observed if side else "-" for side in sides]),
            ("asked", [(side.asked_at if side else None) or "-" for side in sides]),
            ("on the wire", [_bytes(side) for side in sides]),
        ):
            table.add_row(Text(title), *(self._text(text, limit=400) for text in said))
        self.console.print(table)

    def _cost(self, asked: Sequence[RecheckedFinding]) -> None:
        self._heading("Cost of assessing")
        table = self._table(("Device", "name"), ("Whole scan", "text"), ("Recheck", "text"))
        for one in asked:
            table.add_row(
                self._text(one.label, limit=60),
                Text(_spent(one.before)),
                Text(_spent(one.after) if one.after else "not met"),
            )
        self.console.print(table)


def _word(side: Side | None) -> str:
    if side is None:
        return "-"
    return f"{side.result}, {side.severity}" if side.severity else str(side.result)


def _bytes(side: Side | None) -> str:
    return f"{side.sent:,} bytes sent, {side.received:,} received" if side else "-"


def _spent(cost: Cost) -> str:
    connections, datagrams = counted(cost.connections, "connection"), counted(cost.datagrams, "datagram")
    return f"{connections}, {datagrams}, {cost.bytes_sent:,} bytes sent, {cost.bytes_received:,} received"
