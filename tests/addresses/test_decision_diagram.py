"""Diagrams of scattered sets, held against sets that are small enough to be written out."""

from __future__ import annotations

import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.addresses import decision_diagram, intervals
from hardenprobe.addresses.decision_diagram import ALL, NOTHING, Cube, Diagram, Forge
from hardenprobe.errors import ScatteredMasks

BITS = 6
SPACE = range(1 << BITS)
numbers = st.integers(0, len(SPACE) - 1)
cubes = st.lists(st.tuples(numbers, numbers).map(lambda p: (p[0] & p[1], p[1])), max_size=5)


def members(listed: list[Cube]) -> set[int]:
    return {n for n in SPACE if any(n & mask == value for value, mask in listed)}


def made(listed: list[Cube]) -> Diagram:
    forge = Forge(BITS)
    return forge.finish(forge.any_of(map(forge.cube, listed)))


def runs(found: set[int]) -> list[tuple[int, int]]:
    firsts = [n for n in sorted(found) if n - 1 not in found]
    return list(zip(firsts, (n for n in sorted(found) if n + 1 not in found), strict=True))


@given(cubes, cubes)
def test_a_diagram_is_the_set_that_it_stands_for(left: list[Cube], right: list[Cube]) -> None:
    diagram, brute = made(left), members(left)
    blocks = [(base, 1 << BITS - length) for base, length in diagram.blocks()]

    assert {n for n in SPACE if n in diagram} == brute
    assert (diagram.count, bool(diagram)) == (len(brute), bool(brute))
    assert list(diagram.ranges()) == runs(brute)
    assert diagram.range_count == len(runs(brute))
    assert diagram.block_count == len(blocks)
    assert [n for base, size in blocks for n in range(base, base + size)] == sorted(brute)
    assert sorted(n for cube in diagram.cubes() for n in members([cube])) == sorted(
        brute
    )  # no overlap either
    assert [diagram.meets(cube) for cube in right] == [bool(members([cube]) & brute) for cube in right]


@given(cubes, cubes)
def test_operations_are_those_of_sets(left: list[Cube], right: list[Cube]) -> None:
    forge = Forge(BITS)
    a, b = (forge.any_of(map(forge.cube, one)) for one in (left, right))
    for root, brute in (
        (forge.either(a, b), members(left) | members(right)),
        (forge.both(a, b), members(left) & members(right)),
        (forge.less(a, b), members(left) - members(right)),
    ):
        assert {n for n in SPACE if n in forge.finish(root)} == brute
        assert forge.count(root) == len(brute)


@given(cubes)
def test_equal_sets_are_equal_diagrams_however_they_were_made(listed: list[Cube]) -> None:
    diagram = made(listed)
    forge = Forge(BITS)
    shuffled = sorted(listed, reverse=True) * 2
    assert made(shuffled) == diagram
    assert forge.finish(forge.ranges(list(diagram.ranges()))) == diagram
    assert forge.finish(forge.load(diagram)) == diagram
    assert made(list(diagram.cubes())) == diagram


@given(cubes, cubes)
def test_ranges_and_diagrams_mix(left: list[Cube], right: list[Cube]) -> None:
    as_ranges, diagram = tuple(runs(members(left))), made(right)
    for operation, brute in (
        (intervals.less, members(left) - members(right)),
        (intervals.either, members(left) | members(right)),
        (intervals.both, members(left) & members(right)),
    ):
        found = operation(BITS, as_ranges, diagram)
        assert list(intervals.ranges(found)) == runs(brute)
        assert intervals.count(found) == len(brute)
        assert intervals.range_count(found) == len(runs(brute))
        assert intervals.block_count(BITS, found) == sum(1 for _ in intervals.blocks(BITS, found))


def test_nothing_and_everything() -> None:
    nothing, everything = Diagram(128, (), NOTHING), Diagram(128, (), ALL)
    assert (nothing.count, nothing.block_count, nothing.range_count, list(nothing.cubes())) == (0, 0, 0, [])
    assert (everything.count, everything.block_count, everything.range_count) == (2**128, 1, 1)
    assert list(everything.blocks()) == [(0, 0)]
    assert list(everything.cubes()) == [(0, 0)]
    assert made([]).root == NOTHING
    assert made([(0, 32), (32, 32)]).root == ALL


def test_one_mask_takes_no_more_nodes_than_bits() -> None:
    forge = Forge(128)
    diagram = forge.finish(forge.cube((0, (1 << 60) - 1)))
    assert len(diagram.nodes) == 60
    assert diagram.count == diagram.block_count == diagram.range_count == 2**68


def test_work_is_bounded_and_the_error_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decision_diagram, "WORK", 5)
    with pytest.raises(ScatteredMasks, match="use fewer masks with gaps, or write blocks") as caught:
        made([(0, 63), (63, 63), (21, 63)])
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


def test_a_list_that_no_method_keeps_small_ends_in_the_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every mask fixes one bit of the left half and its partner of the right half, so that no prefix tells anything."""
    monkeypatch.setattr(
        decision_diagram, "WORK", 200_000
    )  # what no work is enough for need not take all of it here
    half = 64
    forge = Forge(2 * half)
    pairs = [1 << i | 1 << i + half for i in range(half)]
    with pytest.raises(ScatteredMasks):
        forge.any_of(forge.cube((pair, pair)) for pair in pairs)
