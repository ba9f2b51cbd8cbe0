"""Short lists and tight ones: optimal where that is said, by trying every list of a small universe."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.addresses import decision_diagram, intervals, minimize
from hardenprobe.addresses.minimize import Fit, fit, tightest_blocks, tightest_ranges, written
from hardenprobe.addresses.sets import AddressSet, Entry
from hardenprobe.errors import UsageError

EIGHT, SIXTEEN = range(8), range(16)
BLOCKS = [frozenset(range(base, base + size)) for size in (1, 2, 4, 8, 16) for base in range(0, 16, size)]
RANGES = [frozenset(range(first, last + 1)) for first in EIGHT for last in range(first, 8)]
CUBES = list({frozenset(n for n in EIGHT if n & mask == value & mask) for mask in EIGHT for value in EIGHT})


def addresses(members: frozenset[int] | set[int]) -> AddressSet:
    return AddressSet.of(f"192.0.2.{n}" for n in members)


def least(members: frozenset[int], forms: list[frozenset[int]], most: int) -> int:
    """The least excess of any list of at most `most` entries, by trying them all; fewer are no better than more."""
    lists = (frozenset().union(*chosen) for k in range(1, most + 1) for chosen in combinations(forms, k))
    return min(len(held - members) for held in lists if members <= held)


def check(found: Fit, wanted: AddressSet, most: int, forms: list[str]) -> None:
    """What holds for every list that is proposed."""
    held = AddressSet.of(found.entries)
    assert len(found.entries) <= most
    assert not wanted - held  # nobody is locked out
    assert (held - wanted).count == found.excess
    assert AddressSet.of(written(entry, forms) for entry in found.entries) == held
    assert found.excess or len(found.entries) == found.fewest


subsets = st.sets(st.sampled_from(SIXTEEN), min_size=1).map(frozenset)
octets = st.sets(st.sampled_from(EIGHT), min_size=1).map(frozenset)


@given(subsets, st.integers(1, 3))
def test_no_list_of_blocks_admits_less(members: frozenset[int], most: int) -> None:
    wanted = addresses(members)
    found = fit(wanted, most, ["cidr"])
    check(found, wanted, most, ["cidr"])
    assert (found.excess, found.proven) == (least(members, BLOCKS, most), True)


@given(octets, st.integers(1, 3))
def test_no_list_of_ranges_admits_less(members: frozenset[int], most: int) -> None:
    wanted = addresses(members)
    found = fit(wanted, most, ["cidr", "range"])
    check(found, wanted, most, ["cidr", "range"])
    assert (found.excess, found.proven) == (least(members, RANGES, most), True)


@given(octets, st.integers(1, 4), st.sampled_from([["mask"], ["cidr", "mask"], ["cidr", "range", "mask"]]))
@pytest.mark.slow
def test_a_list_of_masks_is_right_and_optimal_where_that_is_said(
    members: frozenset[int], most: int, forms: list[str]
) -> None:
    wanted = addresses(members)
    found = fit(wanted, most, forms)
    check(found, wanted, most, forms)
    best = least(members, [*CUBES, *(RANGES if "range" in forms else [])], most)
    assert found.excess >= best
    if found.proven:
        assert found.excess == best
        if not found.excess and found.fewest > 1:
            assert least(members, CUBES, found.fewest - 1) > 0
    assert found.excess <= fit(wanted, most, [form for form in forms if form != "mask"] or ["cidr"]).excess


@given(subsets, subsets, st.integers(2, 6))
def test_two_families_share_the_room_in_the_best_way(
    fours: frozenset[int], sixes: frozenset[int], most: int
) -> None:
    four, six = addresses(fours), AddressSet.of(f"2001:db8::{n:x}" for n in sixes)
    for tightest, forms in ((tightest_blocks, ["cidr"]), (tightest_ranges, ["range"])):
        wanted = four | six
        found = fit(wanted, most, forms)
        check(found, wanted, most, forms)
        alone = (
            AddressSet.of([*tightest(four, k), *tightest(six, most - k)]).count - wanted.count
            for k in range(1, most)
        )
        assert found.excess == min(alone)


@given(subsets, st.integers(1, 5))
def test_a_scattered_set_is_fitted_as_well_as_the_same_ranges(members: frozenset[int], most: int) -> None:
    wanted = addresses(members)
    forge = intervals.Forge(32)
    scattered = AddressSet(v4=forge.finish(intervals.load(forge, wanted.v4)))
    for tightest in (tightest_blocks, tightest_ranges):
        assert AddressSet.of(tightest(scattered, most)).count == AddressSet.of(tightest(wanted, most)).count


@pytest.mark.slow
def test_more_room_is_never_worse() -> None:
    wanted = AddressSet.of(["10.0.0.0/30", "10.0.0.9", "10.0.3.0/25", "2001:db8::1", "2001:db8:1::/64"])
    for forms in (["cidr"], ["range"], ["mask"]):
        excess = [fit(wanted, most, forms).excess for most in range(2, 8)]
        assert excess == sorted(excess, reverse=True)
        assert excess[-1] == 0


def test_a_mask_over_ipv6_is_said_in_one_entry_or_in_the_tightest_blocks() -> None:
    """2^68 addresses in 2^68 blocks; nothing of it is listed."""
    wanted = AddressSet.of(["2001:db8::/ffff:ffff::ffff:0:0"])
    exact = fit(wanted, 3, ["mask"])
    assert [str(entry) for entry in exact.entries] == ["2001:db8::/ffff:ffff::ffff:0:0"]
    assert (exact.excess, exact.proven, exact.fewest) == (0, True, 1)
    for forms in (["cidr"], ["range"]):
        found = fit(wanted, 3, forms)
        check(found, wanted, 3, forms)
        assert len(found.entries) == 3
        assert found.fewest == wanted.range_count == 2**48


@pytest.mark.parametrize("forms", [["cidr"], ["range"]])
def test_a_search_that_would_not_end_is_refused_before_it_begins(
    monkeypatch: pytest.MonkeyPatch, forms: list[str]
) -> None:
    wanted = AddressSet.of(["2001:db8::/ffff:ffff::ffff:0:0", "2001:db8:7::/ffff:ffff:f:f::"])
    assert fit(wanted, 20, forms).possible
    monkeypatch.setattr(minimize, "HELD", 500)
    with pytest.raises(UsageError, match="too many parts to find the best 20 entries for it; ask for fewer"):
        fit(wanted, 20, forms)


def test_masks_that_cannot_be_tried_leave_the_best_ranges(monkeypatch: pytest.MonkeyPatch) -> None:
    wanted = AddressSet.of(["10.0.0.5/255.0.0.255"])
    monkeypatch.setattr(decision_diagram, "WORK", 5)
    found = fit(wanted, 3, ["range", "mask"])
    assert (found.possible, found.proven) == (True, False)
    assert AddressSet.of(found.entries).count - wanted.count == found.excess


@pytest.mark.parametrize("forms", [["cidr"], ["range"], ["mask"]])
def test_each_family_needs_an_entry(forms: list[str]) -> None:
    found = fit(AddressSet.of(["192.0.2.1", "2001:db8::1"]), 1, forms)
    assert (found.possible, found.entries) == (False, ())
    nothing = fit(AddressSet(), 1, forms)
    assert (nothing.possible, nothing.entries, nothing.excess, nothing.fewest) == (True, (), 0, 0)


@pytest.mark.parametrize(
    ("entry", "forms", "text"),
    [
        (Entry(4, 0xC0000200, 0xC00002FF), ["cidr"], "192.0.2.0/24"),
        (Entry(4, 0xC0000200, 0xC00002FF), ["range"], "192.0.2.0-192.0.2.255"),
        (Entry(4, 0xC0000200, 0xC00002FF), ["mask"], "192.0.2.0/255.255.255.0"),
        (Entry(6, 0, (1 << 64) - 1), ["mask"], "::/ffff:ffff:ffff:ffff::"),
        (Entry(4, 0xC0000201, 0xC0000201), ["range"], "192.0.2.1"),
        (Entry(4, 0xC0000201, 0xC0000202, form="range"), ["cidr", "range"], "192.0.2.1-192.0.2.2"),
        (Entry(4, 0, 0xFFFFFFFF), ["range"], "0.0.0.0-255.255.255.255"),
    ],
)
def test_entries_are_written_as_the_device_takes_them(entry: Entry, forms: list[str], text: str) -> None:
    assert written(entry, forms) == text
