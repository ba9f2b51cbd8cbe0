"""Short lists of masks that may have gaps: found by widening and thinning out, shortest where that can be proven."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, islice

from hardenprobe.addresses.decision_diagram import NOTHING, Cube, Forge
from hardenprobe.addresses.intervals import Numbers, load, range_count
from hardenprobe.addresses.sets import BITS, AddressSet, Entry, cube_entry
from hardenprobe.errors import ScatteredMasks

MOST_CUBES = 128
"""Parts up to which masks are tried: every pair of them is weighed, about a second at worst."""


def shortest_by_masks(wanted: AddressSet, ranged: bool) -> tuple[tuple[Entry, ...], bool] | None:
    """A short list that admits exactly a set, and whether it is proven that none is shorter.

    Args:
        ranged: Ranges may be used too; a family takes whichever is fewer.

    Returns:
        None where the set has too many parts for masks to be tried.
    """
    try:
        return _shortest(wanted, ranged)
    except ScatteredMasks:
        return None


def _shortest(wanted: AddressSet, ranged: bool) -> tuple[tuple[Entry, ...], bool] | None:
    entries: list[Entry] = []
    proven = True
    for version, bits in BITS.items():
        numbers = wanted.numbers(version)
        if not numbers:
            continue
        forge = Forge(bits)
        root = load(forge, numbers)
        cubes = list(islice(forge.finish(root).cubes(), MOST_CUBES + 1))
        if len(cubes) > MOST_CUBES:
            return None
        tried = [_thinned(forge, _widened(forge, root, cubes, order)) for order in (1, -1)]
        cubes = min(tried, key=len)
        if ranged and range_count(numbers) <= len(cubes):
            entries += _as_ranges(version, numbers)
            proven &= range_count(numbers) == 1
        else:
            entries += (cube_entry(version, cube) for cube in cubes)
            proven &= len(cubes) == 1 or (not ranged and _independent(forge, root, cubes))
    return tuple(entries), proven


def tightest_by_masks(wanted: AddressSet, exact: Sequence[Entry], most: int) -> tuple[Entry, ...]:
    """Join the two entries whose smallest common mask adds least, until there are few enough.

    Args:
        exact: A list that admits exactly the set.
        most: At least one for each family there is.
    """
    forges = {version: Forge(bits) for version, bits in BITS.items()}
    roots = {version: load(forges[version], wanted.numbers(version)) for version in BITS}
    kept = {(entry.version, entry.hull) for entry in exact}
    costs: dict[tuple[int, Cube, Cube], int] = {}

    def cost(version: int, one: Cube, other: Cube) -> int:
        key = (version, one, other)
        if key not in costs:
            forge = forges[version]
            costs[key] = forge.count(forge.less(forge.cube(_around(one, other)), roots[version]))
        return costs[key]

    while len(kept) > most:
        pairs = ((a, b) for a, b in combinations(sorted(kept), 2) if a[0] == b[0])
        (version, one), (_, other) = min(pairs, key=lambda p: cost(p[0][0], p[0][1], p[1][1]))
        joined = _around(one, other)
        kept = {(v, cube) for v, cube in kept if v != version or not _holds(joined, cube)} | {
            (version, joined)
        }
    return tuple(cube_entry(version, cube) for version, cube in sorted(kept))


def _around(one: Cube, other: Cube) -> Cube:
    """The smallest cube that holds two."""
    mask = one[1] & other[1] & ~(one[0] ^ other[0])
    return one[0] & mask, mask


def _holds(outer: Cube, inner: Cube) -> bool:
    return outer[1] & ~inner[1] == 0 and inner[0] & outer[1] == outer[0]


def _as_ranges(version: int, numbers: Numbers) -> list[Entry]:
    one = AddressSet(v4=numbers) if version == 4 else AddressSet(v6=numbers)
    return list(one.ranges())


def _widened(forge: Forge, root: int, cubes: Sequence[Cube], order: int) -> list[Cube]:
    """Each cube without the bits of its mask that the set does not need, tried from the right (1) or the left (-1)."""
    found: dict[Cube, None] = {}
    for value, mask in cubes:
        for shift in range(forge.bits)[::order]:
            one = 1 << shift
            if mask & one:
                wider = (value & ~one, mask & ~one)
                if forge.less(forge.cube(wider), root) == NOTHING:
                    value, mask = wider
        found[value, mask] = None
    return list(found)


def _thinned(forge: Forge, cubes: Sequence[Cube]) -> list[Cube]:
    """Cubes without those that the others hold, the smallest tried first."""
    kept = sorted(cubes, key=lambda c: c[1].bit_count())
    for cube in reversed(list(kept)):
        others = [other for other in kept if other != cube]
        if forge.less(forge.cube(cube), forge.any_of(map(forge.cube, others))) == NOTHING:
            kept = others
    return kept


def _independent(forge: Forge, root: int, cubes: Sequence[Cube]) -> bool:
    """Each cube has a number of its own such that no mask inside the set admits two of them: none can be spared."""
    own = []
    for cube in cubes:
        others = forge.any_of(forge.cube(other) for other in cubes if other != cube)
        value, _ = next(forge.finish(forge.less(forge.cube(cube), others)).cubes())
        own.append((value, (1 << forge.bits) - 1))
    return all(
        forge.less(forge.cube(_around(one, other)), root) != NOTHING for one, other in combinations(own, 2)
    )
