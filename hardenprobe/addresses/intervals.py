"""Sets of numbers below 2^bits: the addresses of one family.

Kept as sorted, disjoint, non-adjacent ranges; where masks with gaps scatter a set over more than `FEW` ranges, as a
diagram (addresses/decision_diagram.py).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator

from hardenprobe.addresses.decision_diagram import Cube, Diagram, Forge, Range

Numbers = tuple[Range, ...] | Diagram
FEW = 4096
"""Ranges up to which a scattered set is held as ranges: quicker than a diagram, and small."""


def joined(bits: int, ranges: Iterable[Range], cubes: Iterable[Cube]) -> Numbers:
    """What belongs to any of the ranges or cubes, which may overlap."""
    plain = _normal(ranges)
    if not (made := sorted(set(cubes))):
        return plain
    forge = Forge(bits)
    root = forge.any_of([*(forge.cube(cube) for cube in made), forge.ranges(plain)])
    return _settled(forge.finish(root))


def either(bits: int, left: Numbers, right: Numbers) -> Numbers:
    return _combined(bits, left, right, lambda a, b: _normal([*a, *b]), Forge.either)


def both(bits: int, left: Numbers, right: Numbers) -> Numbers:
    return _combined(bits, left, right, lambda a, b: _minus(a, _minus(a, b)), Forge.both)


def less(bits: int, left: Numbers, right: Numbers) -> Numbers:
    """What belongs to the left set and not to the right one."""
    return _combined(bits, left, right, _minus, Forge.less)


def load(forge: Forge, numbers: Numbers) -> int:
    """Bring a set into a forge."""
    return forge.load(numbers) if isinstance(numbers, Diagram) else forge.ranges(numbers)


def count(numbers: Numbers) -> int:
    if isinstance(numbers, Diagram):
        return numbers.count
    return sum(last - first + 1 for first, last in numbers)


def block_count(bits: int, numbers: Numbers) -> int:
    if isinstance(numbers, Diagram):
        return numbers.block_count
    return sum(1 for _ in blocks(bits, numbers))


def range_count(numbers: Numbers) -> int:
    return numbers.range_count if isinstance(numbers, Diagram) else len(numbers)


def ranges(numbers: Numbers) -> Iterator[Range]:
    return numbers.ranges() if isinstance(numbers, Diagram) else iter(numbers)


def blocks(bits: int, numbers: Numbers) -> Iterator[tuple[int, int]]:
    """First number and prefix length of the fewest blocks that make up a set, in order, one at a time."""
    if isinstance(numbers, Diagram):
        yield from numbers.blocks()
        return
    for first, last in numbers:
        while first <= last:
            span = (last - first + 1).bit_length() - 1
            if first:
                span = min(span, (first & -first).bit_length() - 1)
            yield first, bits - span
            first += 1 << span


def holds(numbers: Numbers, number: int) -> bool:
    """Tell whether a number belongs to a set."""
    if isinstance(numbers, Diagram):
        return number in numbers
    at = bisect_right(numbers, (number, 1 << 129)) - 1
    return at >= 0 and numbers[at][1] >= number


def meets_range(bits: int, numbers: Numbers, one: Range) -> bool:
    """Tell whether a set and a range have a number in common."""
    if isinstance(numbers, Diagram):
        full = 1 << bits
        return any(numbers.meets((base, full - (full >> n))) for base, n in blocks(bits, (one,)))
    at = bisect_right(numbers, (one[1], 1 << bits)) - 1
    return at >= 0 and numbers[at][1] >= one[0]


def meets_cube(bits: int, numbers: Numbers, cube: Cube) -> bool:
    """Tell whether a set and a cube have a number in common."""
    if isinstance(numbers, Diagram):
        return numbers.meets(cube)
    forge = Forge(bits)
    return forge.finish(forge.ranges(numbers)).meets(cube)


_OnRanges = Callable[[tuple[Range, ...], tuple[Range, ...]], tuple[Range, ...]]
_OnRoots = Callable[[Forge, int, int], int]


def _combined(bits: int, left: Numbers, right: Numbers, on_ranges: _OnRanges, on_roots: _OnRoots) -> Numbers:
    """As ranges where both are ranges, otherwise as diagrams."""
    if isinstance(left, tuple) and isinstance(right, tuple):
        return on_ranges(left, right)
    forge = Forge(bits)
    return _settled(forge.finish(on_roots(forge, load(forge, left), load(forge, right))))


def _settled(diagram: Diagram) -> Numbers:
    return tuple(diagram.ranges()) if diagram.range_count <= FEW else diagram


def _normal(ranges: Iterable[Range]) -> tuple[Range, ...]:
    merged: list[Range] = []
    for first, last in sorted(ranges):
        if merged and first <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(merged[-1][1], last))
        else:
            merged.append((first, last))
    return tuple(merged)


def _minus(left: tuple[Range, ...], right: tuple[Range, ...]) -> tuple[Range, ...]:
    kept: list[Range] = []
    at = 0
    for first, last in left:
        while at < len(right) and right[at][1] < first:
            at += 1
        here = at
        while here < len(right) and right[here][0] <= last:
            if right[here][0] > first:
                kept.append((first, right[here][0] - 1))
            first = max(first, right[here][1] + 1)
            here += 1
        if first <= last:
            kept.append((first, last))
    return tuple(kept)
