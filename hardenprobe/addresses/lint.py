"""What is wrong with the entries of an allow-list, as they were written."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate, islice

from hardenprobe.addresses.decision_diagram import NOTHING, Forge
from hardenprobe.addresses.sets import BITS, Entry, parse_entry

UNREADABLE, FORM, REPEATED, SWALLOWED = "unreadable", "form", "repeated", "swallowed"
FORMS = ("cidr", "range", "mask")
PLAIN = ("cidr", "range")
"""What most devices take: a mask with gaps is applied by few and misread by others."""

NAMED = 3  # entries that together hold another and are named


@dataclass(frozen=True)
class Flaw:
    """One fault.

    Attributes:
        position: Of the entry, from 1.
        kind: unreadable (host bits, no address), form (one that the device does not take, such as a mask with gaps),
            repeated, or redundant: contained in another entry or in several together.
        text: One line for people.
        others: Positions of the entries that make this one needless.
    """

    position: int
    kind: str
    text: str
    others: tuple[int, ...] = ()


@dataclass(frozen=True)
class ReadEntry:
    """An entry that could be read.

    Attributes:
        position: From 1.
        place: What it is called when another entry is explained by it.
        text: As written.
    """

    position: int
    place: str
    text: str
    entry: Entry


def flaws(
    entries: Sequence[str], forms: Collection[str] = PLAIN, places: Sequence[str] | None = None
) -> Iterator[Flaw]:
    """Find the faults of a list, at most one an entry, in order. Without the needless ones it admits the same.

    Args:
        forms: Which of `FORMS` the device takes.
        places: What each entry is called, such as "line 7"; "entry 7" where nothing is given.

    Raises:
        ScatteredMasks: Masks with gaps make too many parts.

    >>> [(f.position, f.kind) for f in flaws(["192.0.2.0/24", "192.0.2.7", "192.0.2.0/24", "192.0.2.5/24"])]
    [(2, 'swallowed'), (3, 'repeated'), (4, 'unreadable')]
    """
    read: list[ReadEntry] = []
    faults: list[Flaw] = []
    for position, text in enumerate(entries, 1):
        place = places[position - 1] if places else f"entry {position}"
        try:
            read.append(ReadEntry(position, place, text, parse_entry(text)))
        except ValueError as exc:
            faults.append(Flaw(position, UNREADABLE, str(exc)))
    # One fault an entry: the form of an entry that is dropped does not matter.
    found = {flaw.position: flaw for flaw in (*faults, *wrong_forms(read, forms), *needless(read))}
    yield from (found[position] for position in sorted(found))


def wrong_forms(read: Iterable[ReadEntry], forms: Collection[str]) -> Iterator[Flaw]:
    """Entries in a form that the device does not take; a single address is always taken."""
    for one in read:
        plain_mask = "mask" in forms and not one.text.rpartition("/")[2].isdecimal()
        if one.entry.form in forms or one.entry.count == 1 or (one.entry.form == "cidr" and plain_mask):
            continue
        if one.entry.form == "mask":
            parts = one.entry.block_count
            text = (
                f"{one.text} has a mask with gaps: {one.entry.count:,} addresses in {parts:,} separate blocks"
            )
        else:
            text = f"{one.text} is written as {one.entry.form}; the device takes {', '.join(forms)}"
        yield Flaw(one.position, FORM, text)


def needless(read: Sequence[ReadEntry]) -> Iterator[Flaw]:
    """Entries that repeat another, lie inside another, or lie inside several others together."""
    for version in BITS:
        first: dict[tuple[int, int, int | None], ReadEntry] = {}
        for one in read:
            if one.entry.version != version:
                continue
            same = first.setdefault((one.entry.first, one.entry.last, one.entry.mask), one)
            if same is not one:
                text = f"{one.text} admits the same as {same.place}"
                yield Flaw(one.position, REPEATED, text, (same.position,))
        gapped = any(one.entry.mask is not None for one in first.values())
        alone: list[ReadEntry] = []
        for one, around in _inside(list(first.values()), gapped):
            if around is None:
                alone.append(one)
            else:
                text = f"{one.text} lies inside {around.text}"
                yield Flaw(one.position, SWALLOWED, text, (around.position,))
        for one, others in _together_gapped(BITS[version], alone) if gapped else _together(alone):
            text = f"{one.text} lies inside {_named(others)} together"
            yield Flaw(one.position, SWALLOWED, text, tuple(other.position for other in others[:NAMED]))


def _named(others: Sequence[ReadEntry]) -> str:
    places = list(dict.fromkeys(other.place for other in others[:NAMED]))
    if len(others) > NAMED:
        places.append("others")
    elif len(places) == 1:  # several entries of one line
        return f"entries of {places[0]}"
    return f"{', '.join(places[:-1])} and {places[-1]}"


def _inside(read: Sequence[ReadEntry], gapped: bool) -> Iterator[tuple[ReadEntry, ReadEntry | None]]:
    """Each entry with one other that holds it, or None."""
    cubes = {one.entry.hull: one for one in read if one.entry.mask is not None}
    masks = {mask for _, mask in cubes}
    widest: ReadEntry | None = None
    for one in sorted(read, key=lambda r: (r.entry.first, -r.entry.last)):
        value, mask = one.entry.hull
        around = widest if widest and widest.entry.last >= one.entry.last else None
        if around is None and gapped:
            holders = (cubes.get((value & m, m)) for m in masks if m & ~mask == 0)
            around = next((other for other in holders if other and other is not one), None)
        yield one, around
        if one.entry.mask is None and (widest is None or one.entry.last > widest.entry.last):
            widest = one


def _together(read: Sequence[ReadEntry]) -> Iterator[tuple[ReadEntry, tuple[ReadEntry, ...]]]:
    """Ranges that their neighbours hold together; none of them lies inside a single other."""
    # So sorted by their beginnings they are sorted by their ends, and only the next to either side can meet inside one.
    ordered = sorted(read, key=lambda r: r.entry.first)
    before: ReadEntry | None = None
    for i, one in enumerate(ordered):
        after = ordered[i + 1] if i + 1 < len(ordered) else None
        if before and after and before.entry.last + 1 >= after.entry.first:
            yield one, (before, after)
        else:
            before = one


def _together_gapped(
    bits: int, read: Sequence[ReadEntry]
) -> Iterator[tuple[ReadEntry, tuple[ReadEntry, ...]]]:
    """The same where masks with gaps are among them: what the entries still kept do not hold must be kept."""
    forge = Forge(bits)
    roots = [
        forge.cube(one.entry.hull)
        if one.entry.mask is not None
        else forge.ranges([(one.entry.first, one.entry.last)])
        for one in read
    ]
    later = list(accumulate(reversed(roots), forge.either, initial=NOTHING))[-2::-1] if roots else []
    kept = NOTHING
    held_by: list[int] = []
    for i, root in enumerate(roots):
        if forge.less(forge.less(root, kept), later[i]) != NOTHING:
            kept = forge.either(kept, root)
            held_by.append(i)
        else:
            others = [*held_by, *range(i + 1, len(roots))]
            meeting = (read[k] for k in others if forge.both(roots[k], root) != NOTHING)
            yield read[i], tuple(islice(meeting, NAMED + 1))


def families(entries: Sequence[str]) -> set[int]:
    """The IP versions of the entries that can be read."""
    found = set()
    for entry in entries:
        try:
            found.add(parse_entry(entry).version)
        except ValueError:
            continue
    return found
