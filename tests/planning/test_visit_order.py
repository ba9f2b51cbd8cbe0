"""The order of visits: every address once, spread, and the same again from the seed."""

from __future__ import annotations

import itertools
from collections import Counter
from ipaddress import ip_address
from itertools import islice, pairwise
from math import gcd
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.planning.visit_order import SEGMENT, VisitOrder, _fullest_segment, _largest_term, _step

SEEDS = st.integers(0, 2**64 - 1)


def ranges(base: str, room: int) -> st.SearchStrategy[list[str]]:
    """Up to eight ranges, near each other so that they touch, overlap and share segments."""
    origin = ip_address(base)
    pair = st.tuples(st.integers(0, room), st.integers(0, 700))
    return st.lists(pair.map(lambda p: f"{origin + p[0]}-{origin + p[0] + p[1]}"), max_size=8)


SETS = st.builds(
    lambda v4, v6, out: AddressSet.of([*v4, *v6]) - AddressSet.of(out),
    ranges("198.18.0.0", 3000),
    ranges("2001:db8::", 3000),
    ranges("198.18.0.0", 3000),
)


def listed(addresses: AddressSet) -> list[str]:
    """The same addresses, ascending, one by one."""
    zero = {4: ip_address("0.0.0.0"), 6: ip_address("::")}
    return [str(zero[one.version] + n) for one in addresses.ranges() for n in range(one.first, one.last + 1)]


def segment(address: str) -> tuple[int, int]:
    ip = ip_address(address)
    return ip.version, int(ip) // SEGMENT


@pytest.mark.slow
@given(SETS, SEEDS)
def test_every_address_comes_once(addresses: AddressSet, seed: int) -> None:
    order = VisitOrder(addresses, seed)
    visited = list(order)
    assert len(visited) == len(order) == addresses.count
    assert sorted(visited) == sorted(listed(addresses))


@pytest.mark.slow
@given(SETS, SEEDS)
def test_consecutive_visits_lie_in_different_segments(addresses: AddressSet, seed: int) -> None:
    visited = [segment(address) for address in VisitOrder(addresses, seed)]
    fullest = max(Counter(visited).values(), default=0)
    if fullest <= len(visited) * 3 / 8 and len(visited) > 6:
        assert all(one != other for one, other in pairwise(visited))


def test_a_step_is_never_shorter_than_three_eighths() -> None:
    for count in (*range(7, 1200), 65534, 1 << 16, 1 << 20, (1 << 24) - 2):
        for fullest in {1, min(SEGMENT, count * 3 // 8)}:
            step = _step(count, fullest, Random(count))
            assert gcd(step, count) == 1
            assert count * 3 // 8 <= step <= count // 2


@pytest.mark.parametrize(
    "block", ["10.0.0.0/8", "10.0.0.0/12", "10.0.0.0/16", "10.0.0.1-10.0.255.254", "10.0.0.0/20"]
)
def test_a_step_s_continued_fraction_has_small_terms(block: str) -> None:
    count = AddressSet.of([block]).count
    for seed in range(200):
        assert _largest_term(_step(count, SEGMENT, Random(seed)), count) <= 12


@given(SETS)
@pytest.mark.slow
def test_the_fullest_segment_is_counted_without_a_list(addresses: AddressSet) -> None:
    for own in (AddressSet(v4=addresses.v4), AddressSet(v6=addresses.v6)):
        counted = max(Counter(map(segment, listed(own))).values(), default=0)
        assert _fullest_segment(tuple((one.first, one.last) for one in own.ranges())) == counted


@given(SETS.filter(bool), SEEDS, st.data())
def test_position_and_address_are_inverse(addresses: AddressSet, seed: int, data: st.DataObject) -> None:
    order = VisitOrder(addresses, seed)
    position = data.draw(st.integers(0, len(order) - 1))
    assert order.position(order.at(position)) == position
    assert next(order.walk(position)) == (position, order.at(position))


@given(SETS, SEEDS, st.data())
@pytest.mark.slow
def test_a_resumed_walk_is_the_rest_of_the_first(
    addresses: AddressSet, seed: int, data: st.DataObject
) -> None:
    whole = list(VisitOrder(addresses, seed).walk())
    cut = data.draw(st.integers(0, len(whole)))
    later = data.draw(st.sets(st.integers(0, max(0, len(whole) - 1)), max_size=20))
    rest = list(VisitOrder(addresses, seed).walk(cut, later))
    assert rest == [visit for visit in whole[cut:] if visit[0] not in later]


@given(SEEDS, st.sampled_from(["10.0.0.0/16", "10.0.0.0/20", "10.0.0.1-10.0.3.254", "2001:db8::/112"]))
def test_each_window_of_visits_is_spread_over_all_segments(seed: int, block: str) -> None:
    """Four times as many visits as there are segments: none is visited more than thrice its share."""
    addresses = AddressSet.of([block])
    segments = -(-addresses.count // SEGMENT)
    visits = Counter(map(segment, islice(VisitOrder(addresses, seed), 4 * segments)))
    assert max(visits.values()) <= 12


def test_a_seed_names_one_order_for_good() -> None:
    texts = ["192.0.2.0/29", "2001:db8::/126"]
    order = VisitOrder(AddressSet.of(texts), 7)
    assert list(order)[:4] == ["192.0.2.3", "2001:db8::", "192.0.2.1", "192.0.2.6"]  # stored seeds rely on it
    assert list(order) == list(VisitOrder(AddressSet.of(reversed(texts)), 7))
    assert list(order) != list(VisitOrder(AddressSet.of(texts), 8))


def test_a_block_of_sixteen_million_starts_at_once() -> None:
    order = VisitOrder(AddressSet.of(["10.0.0.0/8"]) - AddressSet.of(["10.1.2.3", "10.200.0.0/13"]), 1)
    assert len(order) == 2**24 - 1 - 2**19
    assert "10.1.2.3" not in set(itertools.islice(order, 10_000))
    assert order.at(len(order) - 1) == next(order.walk(len(order) - 1))[1]


def test_the_empty_set_has_no_visits() -> None:
    order = VisitOrder(AddressSet(), 5)
    assert not len(order) and list(order) == []
    with pytest.raises(IndexError, match="position 0"):
        order.at(0)


def test_an_address_that_is_not_planned_has_no_position() -> None:
    order = VisitOrder(AddressSet.of(["192.0.2.0/30", "192.0.2.128/30"]), 5)
    for absent in ("192.0.2.4", "192.0.1.255", "192.0.2.200", "2001:db8::1"):
        with pytest.raises(ValueError, match="not among the 8 addresses"):
            order.position(absent)
    assert order.at(order.position("::ffff:192.0.2.1")) == "192.0.2.1"
