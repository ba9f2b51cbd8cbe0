"""Sets of addresses that a mask with gaps scatters, held as reduced ordered binary decision diagrams.

The bits of an address are read from the left, so a diagram is the prefix tree with equal subtrees kept once: one
mask over IPv6 that admits 2^60 scattered addresses takes at most 128 nodes, and its number of blocks is counted, not listed.

Source: R. E. Bryant, "Graph-Based Algorithms for Boolean Function Manipulation", IEEE Transactions on Computers, C-35(8),
1986: reduction, and the operations on two diagrams.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from hardenprobe.errors import ScatteredMasks

Range = tuple[int, int]
Cube = tuple[int, int]
"""Value and mask: the numbers that agree with the value wherever the mask has a one."""

NOTHING, ALL = 0, 1
WORK = 6_000_000
"""Steps that one computation may take, about 6 s and 900 MB: sets of masks exist that no method keeps small."""


@dataclass(frozen=True)
class Diagram:
    """A set of numbers below 2^bits. Equal sets are equal diagrams.

    Attributes:
        nodes: Bit that is read (0 is the leftmost), child where it is 0, child where it is 1. Children come before their
            parent; child 0 is nothing, child 1 is everything, child n is nodes[n - 2].
        root: Numbered in the same way.
    """

    bits: int
    nodes: tuple[tuple[int, int, int], ...]
    root: int

    def __contains__(self, number: int) -> bool:
        at = self.root
        while at > ALL:
            bit, low, high = self.nodes[at - 2]
            at = high if number >> (self.bits - 1 - bit) & 1 else low
        return at == ALL

    def __bool__(self) -> bool:
        return self.root != NOTHING

    def bit(self, at: int) -> int:
        """The bit that a node looks at; behind the last one for nothing and everything."""
        return self.nodes[at - 2][0] if at > ALL else self.bits

    @cached_property
    def count(self) -> int:
        """How many numbers there are."""
        counts = [0, 1]
        for bit, low, high in self.nodes:
            counts.append(sum(counts[kid] << (self.bit(kid) - bit - 1) for kid in (low, high)))
        return counts[self.root] << self.bit(self.root)

    @cached_property
    def block_count(self) -> int:
        """How many CIDR blocks `blocks` yields."""
        counts = [0, 1]
        for bit, low, high in self.nodes:
            counts.append(sum(self._doubled(counts, kid, bit + 1) for kid in (low, high)))
        return self._doubled(counts, self.root, 0)

    def _doubled(self, counts: list[int], at: int, bit: int) -> int:
        """A bit that is not read doubles the blocks below it, but for everything, which is one block."""
        return counts[at] << (self.bit(at) - bit if at > ALL else 0)

    @cached_property
    def range_count(self) -> int:
        """How many ranges of neighbours there are."""
        known = [(0, False, False), (1, True, True)]  # ranges; the first number belongs; the last one does

        def lifted(at: int, bit: int) -> tuple[int, bool, bool]:
            found, first, last = known[at]
            for _ in range(self.bit(at) - bit if at > ALL else 0):
                found = 2 * found - (first and last)
            return found, first, last

        for bit, low, high in self.nodes:
            (left, first, before), (right, after, last) = lifted(low, bit + 1), lifted(high, bit + 1)
            known.append((left + right - (before and after), first, last))
        return lifted(self.root, 0)[0]

    def blocks(self) -> Iterator[tuple[int, int]]:
        """First number and prefix length of the fewest CIDR blocks that make up the set, in order, one at a time."""
        todo = [(self.root, 0, 0)]
        while todo:
            at, bit, base = todo.pop()
            if at == ALL:
                yield base, bit
            elif at != NOTHING:
                looks, low, high = self.nodes[at - 2]
                if looks > bit:  # the bit makes no difference: both halves look the same
                    low = high = at
                todo.append((high, bit + 1, base | 1 << (self.bits - 1 - bit)))
                todo.append((low, bit + 1, base))

    def ranges(self) -> Iterator[Range]:
        """Inclusive ranges, in order, one at a time."""
        held: Range | None = None
        for base, length in self.blocks():
            last = base + (1 << (self.bits - length)) - 1
            if held and held[1] + 1 == base:
                held = (held[0], last)
            else:
                if held:
                    yield held
                held = (base, last)
        if held:
            yield held

    def cubes(self) -> Iterator[Cube]:
        """Values with masks that make up the set without overlap, one at a time; not always the fewest."""
        todo = [(self.root, 0, 0)]
        while todo:
            at, value, mask = todo.pop()
            if at == ALL:
                yield value, mask
            elif at != NOTHING:
                bit, low, high = self.nodes[at - 2]
                one = 1 << (self.bits - 1 - bit)
                todo.append((high, value | one, mask | one))
                todo.append((low, value, mask | one))

    def meets(self, cube: Cube) -> bool:
        """Tell whether the set and a cube have a number in common."""
        value, mask = cube
        seen = set()
        todo = [self.root]
        while todo:
            at = todo.pop()
            if at == ALL:
                return True
            if at == NOTHING or at in seen:
                continue
            seen.add(at)
            bit, low, high = self.nodes[at - 2]
            one = 1 << (self.bits - 1 - bit)
            todo.extend((low, high) if not mask & one else (high,) if value & one else (low,))
        return False


class Forge:
    """Makes diagrams of one width; nodes are kept once, and work is bounded.

    Raises:
        TooScattered: From every method, when `WORK` is used up.
    """

    def __init__(self, bits: int) -> None:
        self.bits = bits
        self._nodes = [(bits, 0, 0), (bits, 1, 1)]
        self._unique: dict[tuple[int, int, int], int] = {}
        self._left = WORK

    def node(self, bit: int, low: int, high: int) -> int:
        if low == high:
            return low
        key = (bit, low, high)
        found = self._unique.get(key)
        if found is None:
            self._spend()
            found = self._unique[key] = len(self._nodes)
            self._nodes.append(key)
        return found

    def _spend(self) -> None:
        self._left -= 1
        if self._left < 0:
            raise ScatteredMasks

    def cube(self, cube: Cube) -> int:
        value, mask = cube
        at = ALL
        for shift in range(self.bits):
            if mask >> shift & 1:
                bit = self.bits - 1 - shift
                at = self.node(bit, NOTHING, at) if value >> shift & 1 else self.node(bit, at, NOTHING)
        return at

    def ranges(self, ranges: Sequence[Range]) -> int:
        """The set of sorted, disjoint ranges."""
        firsts = [first for first, _ in ranges]
        lasts = [last for _, last in ranges]

        def build(bit: int, base: int, i: int, j: int) -> int:
            if i == j:
                return NOTHING
            size = 1 << (self.bits - bit)
            if firsts[i] <= base and lasts[i] >= base + size - 1:
                return ALL
            half = base + size // 2
            low = build(bit + 1, base, i, bisect_left(firsts, half, i, j))
            return self.node(bit, low, build(bit + 1, half, bisect_left(lasts, half, i, j), j))

        return build(0, 0, 0, len(ranges))

    def load(self, diagram: Diagram) -> int:
        made = [NOTHING, ALL]
        for bit, low, high in diagram.nodes:
            made.append(self.node(bit, made[low], made[high]))
        return made[diagram.root]

    def either(self, left: int, right: int) -> int:
        """What belongs to one of two sets, or both."""
        return self._pairs("either", left, right)

    def less(self, left: int, right: int) -> int:
        """What belongs to the left set and not to the right one."""
        return self._pairs("less", left, right)

    def both(self, left: int, right: int) -> int:
        """What belongs to both sets."""
        return self.less(left, self.less(left, right))

    def any_of(self, roots: Iterable[int]) -> int:
        """What belongs to any of many sets, joined in pairs so that neighbours meet while they are small."""
        level = list(roots)
        while len(level) > 1:
            level = [
                self.either(level[i], level[i + 1]) if i + 1 < len(level) else level[i]
                for i in range(0, len(level), 2)
            ]
        return level[0] if level else NOTHING

    def _pairs(self, kind: str, left: int, right: int) -> int:
        nodes, done = self._nodes, dict[tuple[int, int], int]()
        joining = kind == "either"

        def walk(a: int, b: int) -> int:
            if a == b:
                return a if joining else NOTHING
            if joining:
                if a == ALL or b == ALL:
                    return ALL
                if a == NOTHING:
                    return b
            elif a == NOTHING or b == ALL:
                return NOTHING
            if b == NOTHING:
                return a
            key = (a, b)
            found = done.get(key)
            if found is None:
                self._spend()
                bit_a, low_a, high_a = nodes[a]
                bit_b, low_b, high_b = nodes[b]
                bit = min(bit_a, bit_b)
                if bit_a > bit:
                    low_a = high_a = a
                if bit_b > bit:
                    low_b = high_b = b
                low = walk(low_a, low_b)
                found = done[key] = self.node(bit, low, walk(high_a, high_b))
            return found

        return walk(left, right)

    def count(self, root: int) -> int:
        """How many numbers a set has."""
        return self.finish(root).count

    def finish(self, root: int) -> Diagram:
        """Take a set out of the forge; nodes are numbered by a walk from the left, so equal sets come out equal."""
        numbers = {NOTHING: NOTHING, ALL: ALL}
        kept: list[tuple[int, int, int]] = []

        def number(at: int) -> int:
            if at not in numbers:
                bit, low, high = self._nodes[at]
                node = (bit, number(low), number(high))
                kept.append(node)
                numbers[at] = len(kept) + 1
            return numbers[at]

        at = number(root)
        return Diagram(self.bits, tuple(kept), at)
