"""An allow-list compared with the approved networks: what it admits beyond them, what it leaves out, what to write instead."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from hardenprobe.addresses import list_files
from hardenprobe.addresses.edges import Edge
from hardenprobe.addresses.lint import FORMS, PLAIN, UNREADABLE, Flaw, flaws
from hardenprobe.addresses.list_files import ListLine
from hardenprobe.addresses.minimize import Fit, fit, written
from hardenprobe.addresses.sets import AddressSet, Entry, parse_entry
from hardenprobe.errors import FileInvalid, ScatteredMasks

FORMAT = "hardenprobe.allowlist/1"
KEPT = 1000
"""Blocks, patterns and ranges of one set that a document names; counts are always of the whole."""

MOST_ENTRIES = 100_000
"""Entries of a file that are compared; a hundred times what devices hold."""

MOST_GAPPED = 5_000
"""Masks with gaps that are compared, each with all others; about a second for so many."""


@dataclass(frozen=True, kw_only=True)
class EntryFile:
    """A file of entries.

    Attributes:
        entries: What could be read, with the line; the rest is among the flaws.
        admitted: What the entries hold together.
    """

    file: str
    lines: tuple[ListLine, ...]
    entries: tuple[tuple[ListLine, Entry], ...]
    admitted: AddressSet


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """What a list does against what was approved.

    Attributes:
        beyond: Admitted and not approved.
        culprits: The entries that admit it.
        locked_out: Approved and not admitted.
        flaws: Faults of entries; a position is that of `listed.lines`, from 1.
        forms: Which of list_entries.FORMS the device takes.
        room: How many entries it takes, None where it is not stated.
        list_fit, approved_fit: Lists of that size for what is admitted now and for what is approved.
    """

    listed: EntryFile
    approved: EntryFile
    beyond: AddressSet
    culprits: tuple[tuple[ListLine, Entry], ...]
    locked_out: AddressSet
    flaws: tuple[Flaw, ...]
    forms: tuple[str, ...]
    room: int | None = None
    list_fit: Fit | None = None
    approved_fit: Fit | None = None

    @property
    def too_long(self) -> bool:
        """The list has more entries than the device takes."""
        return self.room is not None and len(self.listed.lines) > self.room

    @property
    def unreadable(self) -> tuple[Flaw, ...]:
        """Entries that could not be read; whatever was found holds for the others alone."""
        return tuple(flaw for flaw in self.flaws if flaw.kind == UNREADABLE)

    def refusal(self) -> FileInvalid:
        """The first entry that could not be read, as an error; call it where there is one."""
        flaw, *more = self.unreadable
        others = f"; {len(more):,} more cannot be read" if more else ""
        text = f"{flaw.text}{others}; correct the list; this comparison leaves the entry out"
        return FileInvalid(self.listed.file, self.listed.lines[flaw.position - 1].line, text)

    @property
    def clean(self) -> bool:
        return not (self.beyond or self.locked_out or self.flaws or self.too_long)


def read_list(path: Path) -> EntryFile:
    """Read a list; entries that cannot be read are left for `compare` to name.

    Raises:
        FileInvalid: The file cannot be read, holds no entry or too many, or its masks scatter it too far.
    """
    return _written(path, strict=False)


def read_approved(path: Path) -> EntryFile:
    """Read the approved networks: a list, or an inventory that states them. Every entry must be right.

    Raises:
        FileInvalid: With file, line and how to fix it.
    """
    return _written(path, strict=True)


def _written(path: Path, *, strict: bool) -> EntryFile:
    lines = list_files.read(path)
    if len(lines) > MOST_ENTRIES:
        raise FileInvalid(str(path), lines[MOST_ENTRIES].line, f"more than {MOST_ENTRIES:,} entries")
    entries = []
    for line in lines:
        try:
            entries.append((line, parse_entry(line.text)))
        except ValueError as exc:
            if strict:
                raise FileInvalid(str(path), line.line, str(exc)) from None
    gapped = [line for line, entry in entries if entry.mask is not None]
    if len(gapped) > MOST_GAPPED:
        raise FileInvalid(
            str(path), gapped[MOST_GAPPED].line, f"more than {MOST_GAPPED:,} masks with gaps; write blocks"
        )
    try:
        admitted = AddressSet.of(entry for _, entry in entries)
    except ScatteredMasks as exc:
        raise FileInvalid(str(path), gapped[0].line, str(exc)) from None
    return EntryFile(file=str(path), lines=lines, entries=tuple(entries), admitted=admitted)


def compare(
    listed: EntryFile, approved: EntryFile, forms: Collection[str] = PLAIN, room: int | None = None
) -> Comparison:
    """Hold a list against what was approved.

    Raises:
        ScatteredMasks: Masks with gaps make too many parts to be compared exactly.
        UsageError: There are too many parts for lists of `room` entries to be weighed.
    """
    beyond = listed.admitted - approved.admitted
    locked_out = approved.admitted - listed.admitted
    differ = bool(beyond or locked_out)
    return Comparison(
        listed=listed,
        approved=approved,
        beyond=beyond,
        culprits=tuple(pair for pair in listed.entries if beyond.meets(pair[1])) if beyond else (),
        locked_out=locked_out,
        flaws=tuple(
            flaws([one.text for one in listed.lines], forms, [f"line {one.line}" for one in listed.lines])
        ),
        forms=tuple(form for form in FORMS if form in forms),
        room=room,
        list_fit=fit(listed.admitted, room, forms) if room and differ else None,
        approved_fit=fit(approved.admitted, room, forms) if room else None,
    )


def to_document(found: Comparison, tested: Sequence[tuple[Edge, bool, bool]] | None = None) -> dict[str, Any]:
    """Translate a comparison into plain JSON types, format `FORMAT`.

    Args:
        tested: Edges, and whether this machine can ask from inside and from outside; None leaves them out.
    """
    document: dict[str, Any] = {
        "format": FORMAT,
        "clean": found.clean,
        "list": _file(found.listed),
        "approved": _file(found.approved),
        "admitted_beyond": {
            **_set(found.beyond),
            "entries": [{"line": line.line, "entry": line.text} for line, _ in found.culprits],
        },
        "locked_out": _set(found.locked_out),
        "faults": [
            {
                "file": found.listed.file,
                "line": found.listed.lines[flaw.position - 1].line,
                "entry": found.listed.lines[flaw.position - 1].text,
                "fault": flaw.kind,
                "text": flaw.text,
                "because_of_lines": [found.listed.lines[n - 1].line for n in flaw.others],
            }
            for flaw in found.flaws
        ],
    }
    if found.room is not None:
        document["fit"] = {
            "room": found.room,
            "forms": list(found.forms),
            "too_long": found.too_long,
            "list": _fit(found.list_fit or found.approved_fit, found.forms),
            "approved": _fit(found.approved_fit, found.forms),
        }
    if tested is not None:
        document["edges"] = [
            {
                "inside": edge.inside,
                "outside": edge.outside,
                "inside_is_ours": inside,
                "outside_is_ours": outside,
            }
            for edge, inside, outside in tested
        ]
    return document


def _file(one: EntryFile) -> dict[str, Any]:
    return {
        "file": one.file,
        "entries": len(one.lines),
        "unreadable": len(one.lines) - len(one.entries),
        "addresses": one.admitted.count,
    }


def _set(one: AddressSet) -> dict[str, Any]:
    return {
        "count": one.count,
        "example": one.first(),
        "blocks": one.block_count,
        "cover": list(one.cover(KEPT)),
        "patterns": [str(entry) for entry in islice(one.patterns(), KEPT)],
    }


def _fit(one: Fit | None, forms: Collection[str]) -> dict[str, Any] | None:
    if one is None:
        return None
    return {
        "possible": one.possible,
        "entries": [written(entry, forms) for entry in one.entries],
        "excess": one.excess,
        "proven": one.proven,
        "fewest_exact": one.fewest,
    }
