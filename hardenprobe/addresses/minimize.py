"""The shortest list for a set of addresses, or the tightest one that a device with room for so many entries can take.

Ranges: each gap between two ranges that is filled saves one entry, and gaps do not touch each other, so filling the
smallest is best. Blocks: dynamic programming over the prefix tree; for each node and number of entries the least excess.
Both are optimal. With masks that may have gaps the task is two-level minimisation, which no method solves in general;
what is found then is said to be proven or not.
"""

from __future__ import annotations

import heapq
from bisect import bisect_left
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from operator import add

from hardenprobe.addresses.decision_diagram import ALL, NOTHING, Diagram, Range
from hardenprobe.addresses.intervals import Numbers, blocks
from hardenprobe.addresses.minimize_masks import shortest_by_masks, tightest_by_masks
from hardenprobe.addresses.sets import BITS, AddressSet, Entry, address_text
from hardenprobe.errors import UsageError

WEIGHED = 100_000_000
"""Sums that the search for blocks may weigh, about 10 s."""

HELD = 5_000_000
"""Numbers that a search may hold at once, about 500 MB."""


@dataclass(frozen=True, kw_only=True)
class Fit:
    """A list for a set of addresses.

    Attributes:
        entries: What to write. Empty for the empty set, and where each family needs an entry and there is room for one.
        possible: There is a list with so many entries that admits every approved source.
        excess: How many addresses it admits beyond the set; 0 for a list that says the same.
        proven: No list in these forms is shorter, or has less excess.
        fewest: Entries of the shortest list found that says the same.
    """

    entries: tuple[Entry, ...]
    possible: bool
    excess: int
    proven: bool
    fewest: int


def fit(wanted: AddressSet, most: int, forms: Collection[str]) -> Fit:
    """Find a list of at most `most` entries that admits all of a set, and as little else as can be.

    Args:
        forms: Which of list_entries.FORMS the device takes; a single address is always taken.

    Raises:
        UsageError: The set has too many parts for lists of so many entries to be weighed.
    """
    ranged = "range" in forms
    plain = fewest = wanted.range_count if ranged else wanted.block_count
    proven = "mask" not in forms or plain <= 1
    by_masks: tuple[Entry, ...] | None = None
    if "mask" in forms and not proven:
        found = shortest_by_masks(wanted, ranged)
        if found is not None:
            by_masks, proven = found
            fewest = min(plain, len(by_masks))
    if most < sum(1 for version in BITS if wanted.numbers(version)):
        return Fit(entries=(), possible=False, excess=0, proven=True, fewest=fewest)
    if by_masks is not None and fewest < plain and fewest <= most:
        entries = by_masks
    elif ranged:
        entries = tightest_ranges(wanted, most)
    else:
        entries = tightest_blocks(wanted, most)
    excess = AddressSet.of(entries).count - wanted.count
    if excess and by_masks is not None:
        proven = False
        other = tightest_by_masks(wanted, by_masks, most)
        more = AddressSet.of(other).count - wanted.count
        if more < excess:
            entries, excess = other, more
            fewest = len(entries) if not excess else fewest
    return Fit(entries=entries, possible=True, excess=excess, proven=proven, fewest=fewest)


def written(entry: Entry, forms: Collection[str]) -> str:
    """An entry in one of the forms that the device takes, the shortest first."""
    text = str(entry)
    if "/" in text and entry.mask is None and "cidr" not in forms:
        first, last = address_text(entry.version, entry.first), address_text(entry.version, entry.last)
        if "range" in forms:
            return f"{first}-{last}"
        return f"{first}/{address_text(entry.version, entry.hull[1])}"
    return text


def tightest_ranges(wanted: AddressSet, most: int) -> tuple[Entry, ...]:
    """At most `most` ranges that hold a set with the least excess; at least one for each family there is."""
    ends: dict[int, Range] = {}
    gaps: list[tuple[int, int, int]] = []  # size, family, first number
    for version, bits in BITS.items():
        numbers = wanted.numbers(version)
        if not numbers:
            continue
        if isinstance(numbers, tuple):
            ends[version] = numbers[0][0], numbers[-1][1]
            gaps += ((b[0] - a[1] - 1, version, a[1] + 1) for a, b in pairwise(numbers))
        else:
            tree = _Tree(bits, numbers)
            ends[version], found = tree.gaps(most)
            gaps += ((size, version, first) for size, first in found)
    kept = heapq.nlargest(most - len(ends), gaps)
    entries = []
    for version, (first, last) in ends.items():
        for size, _, gap in sorted((g for g in kept if g[1] == version), key=lambda g: g[2]):
            entries.append(Entry(version, first, gap - 1, form="range"))
            first = gap + size
        entries.append(Entry(version, first, last, form="range"))
    return tuple(entries)


def tightest_blocks(wanted: AddressSet, most: int) -> tuple[Entry, ...]:
    """At most `most` blocks that hold a set with the least excess; at least one for each family there is."""
    trees = {v: _Tree(bits, wanted.numbers(v)) for v, bits in BITS.items() if wanted.numbers(v)}
    if not trees:
        return ()
    tables = {v: tree.excesses(most - len(trees) + 1) for v, tree in trees.items()}
    shares = {v: len(tables[v]) for v in trees}
    if len(trees) == 2 and sum(shares.values()) > most:
        four, six = tables[4], tables[6]
        fours = range(max(1, most - len(six)), min(len(four), most - 1) + 1)
        share = min(fours, key=lambda k: four[k - 1] + six[min(most - k, len(six)) - 1])
        shares = {4: share, 6: min(most - share, len(six))}
    return tuple(
        Entry(v, base, base + (1 << free) - 1)
        for v, tree in trees.items()
        for base, free in tree.chosen(shares[v])
    )


@dataclass
class _Node:
    """A place where the prefix tree of a set branches, or a full block. Equal subtrees of a diagram are one node.

    Attributes:
        free: Bits below its prefix.
        kids: Node and offset from the beginning of this one's block; none for a full block.
        table: Least excess by number of entries, from 1.
    """

    free: int
    count: int
    kids: tuple[tuple[int, int], ...] = ()
    table: list[int] = field(default_factory=lambda: [0])


class _Tree:
    """The prefix tree of a set that is not empty, without the nodes that do not branch; children before parents."""

    def __init__(self, bits: int, numbers: Numbers) -> None:
        self.nodes: list[_Node] = []
        self._full: dict[int, int] = {}
        if isinstance(numbers, Diagram):
            self._root, self._base = self._from_diagram(numbers)
        else:
            found = [(base, bits - length) for base, length in blocks(bits, numbers)]
            self._root, self._base = self._from_blocks(found)

    def _leaf(self, free: int) -> int:
        if free not in self._full:
            self._full[free] = len(self.nodes)
            self.nodes.append(_Node(free, 1 << free))
        return self._full[free]

    def _branch(self, free: int, left: tuple[int, int], right: tuple[int, int]) -> int:
        self.nodes.append(_Node(free, self.nodes[left[0]].count + self.nodes[right[0]].count, (left, right)))
        return len(self.nodes) - 1

    def _from_blocks(self, found: Sequence[tuple[int, int]]) -> tuple[int, int]:
        bases = [base for base, _ in found]

        def build(i: int, j: int) -> tuple[int, int]:
            if j - i == 1:
                return self._leaf(found[i][1]), bases[i]
            free = (bases[i] ^ bases[j - 1]).bit_length()
            base = bases[i] >> free << free
            middle = bisect_left(bases, base + (1 << free - 1), i, j)
            (left, low), (right, high) = build(i, middle), build(middle, j)
            return self._branch(free, (left, low - base), (right, high - base)), base

        return build(0, len(found))

    def _from_diagram(self, diagram: Diagram) -> tuple[int, int]:
        known: dict[tuple[int, int], tuple[int, int]] = {}

        def build(at: int, bit: int) -> tuple[int, int]:
            free = diagram.bits - bit
            if at == ALL:
                return self._leaf(free), 0
            if (at, bit) not in known:
                half = 1 << free - 1
                looks, low, high = diagram.nodes[at - 2]
                if looks > bit:
                    low = high = at
                if low == NOTHING or high == NOTHING:
                    node, offset = build(low or high, bit + 1)
                    known[at, bit] = node, offset + (half if low == NOTHING else 0)
                else:
                    left, (right, offset) = build(low, bit + 1), build(high, bit + 1)
                    known[at, bit] = self._branch(free, left, (right, offset + half)), 0
            return known[at, bit]

        return build(diagram.root, 0)

    def excesses(self, most: int) -> list[int]:
        """Least excess with 1, 2, ... blocks, up to `most` or to none."""
        self._bound(most)
        for node in self.nodes:
            if node.kids:
                (left, _), (right, _) = node.kids
                whole = (1 << node.free) - node.count
                node.table = [whole, *_shared(self.nodes[left].table, self.nodes[right].table, most)]
        return self.nodes[self._root].table[:most]

    def _bound(self, most: int) -> None:
        """Refuse a search that would not end, before it begins."""
        sizes: list[int] = []
        weighed = 0
        for node in self.nodes:
            left, right = (sizes[kid] for kid, _ in node.kids) if node.kids else (1, 0)
            sizes.append(min(most, left + right))
            weighed += left * right
        if weighed > WEIGHED or sum(sizes) > HELD:
            raise _too_much(most)

    def chosen(self, entries: int) -> list[tuple[int, int]]:
        """First number and free bits of each block that makes the least excess with so many entries."""
        found: list[tuple[int, int]] = []
        todo = [(self._root, self._base, entries)]
        while todo:
            at, base, share = todo.pop()
            node = self.nodes[at]
            if share == 1:
                found.append((base, node.free))
                continue
            (left, low), (right, high) = node.kids
            one, two = self.nodes[left].table, self.nodes[right].table
            shares = range(max(1, share - len(two)), min(len(one), share - 1) + 1)
            k = next(k for k in shares if one[k - 1] + two[share - k - 1] == node.table[share - 1])
            todo.append((right, base + high, share - k))
            todo.append((left, base + low, k))
        return found

    def gaps(self, most: int) -> tuple[Range, list[tuple[int, int]]]:
        """First and last number, and size and first number of the largest gaps between them."""
        known: list[tuple[int, int, list[tuple[int, int]]]] = []
        held = 0
        for node in self.nodes:
            if not node.kids:
                known.append((0, node.count - 1, []))
                continue
            (left, low), (right, high) = node.kids
            first, before, gaps = known[left]
            after, last, more = known[right]
            begins, ends = low + before + 1, high + after
            gaps = [(size, at + low) for size, at in gaps] + [(size, at + high) for size, at in more]
            if ends > begins:
                gaps.append((ends - begins, begins))
            gaps = heapq.nlargest(most, gaps)
            held += len(gaps)
            if held > HELD:
                raise _too_much(most)
            known.append((low + first, high + last, gaps))
        first, last, gaps = known[self._root]
        base = self._base
        return (base + first, base + last), [(size, at + base) for size, at in gaps]


def _too_much(most: int) -> UsageError:
    return UsageError(
        f"this list has too many parts to find the best {most:,} entries for it; ask for fewer entries, or leave --fit out"
    )


def _shared(left: list[int], right: list[int], most: int) -> list[int]:
    """Least sums where 2, 3, ... entries are shared out between two tables."""
    backwards = right[::-1]
    sums = []
    for k in range(2, min(most, len(left) + len(right)) + 1):
        low, high = max(1, k - len(right)), min(len(left), k - 1)
        shift = len(right) - k
        sums.append(min(map(add, left[low - 1 : high], backwards[shift + low : shift + high + 1])))
    return sums
