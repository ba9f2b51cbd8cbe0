"""The screen of `hardenprobe allowlist`: what a list admits beyond what is approved, and whom it locks out."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice

from rich.console import Console

from hardenprobe.addresses.allow_list import Comparison, EntryFile
from hardenprobe.addresses.edges import MOST_EDGES, Edge
from hardenprobe.addresses.minimize import Fit, written
from hardenprobe.addresses.sets import AddressSet
from hardenprobe.reports.screen import Screen
from hardenprobe.reports.text import CAUTION, counted

LONGEST = 20
"""Entries of one part that are shown; the document holds all."""

BLOCKS = 8
"""Blocks of a cover that are shown."""


def show(
    found: Comparison, console: Console, tested: Sequence[tuple[Edge, bool, bool]] | None = None
) -> None:
    """Print a comparison: both files, what is admitted beyond them, what is not admitted, faults, what to write, edges, caution."""
    _AllowListScreen(found, console, tested).show()


class _AllowListScreen(Screen):
    def __init__(
        self, found: Comparison, console: Console, tested: Sequence[tuple[Edge, bool, bool]] | None
    ) -> None:
        super().__init__(console)
        self.found = found
        self.tested = tested

    def show(self) -> None:
        self._line(f"List      {_described(self.found.listed)}")
        self._line(f"Approved  {_described(self.found.approved)}")
        self._beyond()
        self._heading("Approved and not admitted")
        self._set(self.found.locked_out)
        self._faults()
        if self.found.room is not None:
            self._fits(self.found.room)
        if self.tested is not None:
            self._edges(self.tested)
        self._heading("Caution")
        self._line(CAUTION)

    def _beyond(self) -> None:
        self._heading("Admitted and not approved")
        self._set(self.found.beyond)
        culprits = self.found.culprits
        for line, _ in culprits[:LONGEST]:
            self._line(f"line {line.line}: {line.text}", indent=2)
        self._more(len(culprits))

    def _set(self, addresses: AddressSet) -> None:
        if not addresses:
            self._line("None.")
            return
        count = counted(addresses.count, "address", "addresses")
        self._line(f"{count}, such as {addresses.first()}: {addresses.said(BLOCKS)}")
        patterns = list(islice(addresses.patterns(), BLOCKS + 1))
        if any(one.mask is not None for one in patterns):
            more = " and more" if len(patterns) > BLOCKS else ""
            self._line(f"With masks: {', '.join(map(str, patterns[:BLOCKS]))}{more}")

    def _faults(self) -> None:
        self._heading("Entries to correct")
        flaws = self.found.flaws
        if not flaws:
            self._line("None.")
            return
        table = self._table(("Line", "number"), ("Fault", "word"), ("What", "text"))
        for flaw in flaws[:LONGEST]:
            line = self.found.listed.lines[flaw.position - 1].line
            table.add_row(str(line), self._text(flaw.kind), self._text(flaw.text, limit=200))
        self.console.print(table)
        self._more(len(flaws))

    def _fits(self, room: int) -> None:
        if self.found.list_fit is not None:
            self._heading(f"What the list admits now, in {counted(room, 'entry', 'entries')}")
            self._fit(self.found.list_fit, room)
        if self.found.approved_fit is not None:
            self._heading(f"What is approved, in {counted(room, 'entry', 'entries')}")
            self._fit(self.found.approved_fit, room)

    def _fit(self, one: Fit, room: int) -> None:
        if not one.possible:
            self._line("IPv4 and IPv6 need an entry each; there is no such list.")
            return
        entries = counted(len(one.entries), "entry", "entries")
        if not one.excess:
            proof = "none is shorter" if one.proven else "that none is shorter is not proven"
            self._line(f"Exactly, in {entries}; {proof}.")
        else:
            proof = (
                "no list of that size admits less" if one.proven else "that none admits less is not proven"
            )
            excess = counted(one.excess, "address", "addresses")
            exactly = f"saying it exactly takes {one.fewest:,}"
            self._line(f"In {entries} with {excess} too many; {proof}; {exactly}.")
        for entry in one.entries[:LONGEST]:
            self._line(written(entry, self.found.forms), indent=2)
        self._more(len(one.entries))
        if self.found.too_long and one is self.found.approved_fit:
            self._line(f"The list has {len(self.found.listed.lines):,} entries, the device takes {room:,}.")

    def _edges(self, tested: Sequence[tuple[Edge, bool, bool]]) -> None:
        self._heading("Sources that test the list")
        ours = [edge for edge, inside, outside in tested if inside or outside]
        cut = "the first " if len(tested) == MOST_EDGES else ""
        self._line(
            f"{cut}{counted(len(tested), 'edge', 'edges')}; this machine has an address at {len(ours):,} of them. "
            "Declare the list in the inventory, and `scan --source edges` scans from these."
        )
        sources: dict[str, tuple[str, bool]] = {}
        for edge, inside, outside in tested:
            sources[edge.inside] = ("admitted", inside)
            sources[edge.outside] = ("not admitted", outside)
        # Those of this machine come first.
        ordered = sorted(sources.items(), key=lambda one: not one[1][1])
        if not ordered:
            return
        table = self._table(("Source", "name"), ("On the list", "word"), ("This machine's", "text"))
        for source, (side, mine) in ordered[:LONGEST]:
            table.add_row(source, side, "yes" if mine else "no")
        self.console.print(table)
        self._more(len(ordered))

    def _more(self, number: int) -> None:
        if number > LONGEST:
            self._line(f"and {number - LONGEST:,} more; --json holds all of them", indent=2)


def _described(one: EntryFile) -> str:
    entries = counted(len(one.lines), "entry", "entries")
    unreadable = len(one.lines) - len(one.entries)
    left_out = f", {unreadable:,} of them unreadable and left out" if unreadable else ""
    return f"{one.file}: {entries}{left_out}; {counted(one.admitted.count, 'address', 'addresses')}"
