"""What is wrong with the entries of a list of admitted sources, as somebody wrote them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from hardenprobe.addresses import AddressSet, parse_entry

UNREADABLE, REPEATED, SWALLOWED = "unreadable", "repeated", "swallowed"


@dataclass(frozen=True)
class Flaw:
    """One fault.

    Attributes:
        position: Of the entry, from 1.
        kind: unreadable (host bits, a mask with gaps, no address), repeated, or swallowed by another entry.
        text: One line for people.
    """

    position: int
    kind: str
    text: str


def flaws(entries: Sequence[str]) -> Iterator[Flaw]:
    """Find the faults of a list, entry by entry.

    >>> [(f.position, f.kind) for f in flaws(["192.0.2.0/24", "192.0.2.7", "192.0.2.0/24", "192.0.2.5/24"])]
    [(2, 'swallowed'), (3, 'repeated'), (4, 'unreadable')]
    """
    read: list[tuple[int, str, AddressSet]] = []
    faults: list[Flaw] = []
    for position, entry in enumerate(entries, 1):
        try:
            parse_entry(entry)
        except ValueError as exc:
            faults.append(Flaw(position, UNREADABLE, str(exc)))
        else:
            read.append((position, entry, AddressSet.of([entry])))
    for position, entry, one in read:
        same = next((p for p, _, other in read if p < position and other == one), None)
        around = next((text for _, text, other in read if other != one and not one - other), None)
        if same is not None:
            faults.append(Flaw(position, REPEATED, f"{entry} admits the same as entry {same}"))
        elif around is not None:
            faults.append(Flaw(position, SWALLOWED, f"{entry} lies inside {around}"))
    yield from sorted(faults, key=lambda f: f.position)


def families(entries: Sequence[str]) -> set[int]:
    """The IP versions of the entries that can be read."""
    found = set()
    for entry in entries:
        try:
            found.add(parse_entry(entry)[0])
        except ValueError:
            continue
    return found
