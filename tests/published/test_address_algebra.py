"""What a list admits less what is approved: twelve examples, a second opinion, and brute force where that is small.

Source: RFC 4632 section 3 for CIDR. The examples were worked out with two independent implementations of interval
arithmetic; blocks are those of RFC 5737, RFC 3849 and RFC 1918.
"""

from __future__ import annotations

from ipaddress import IPv4Address, IPv6Address, ip_network

import pytest
from hypothesis import given
from hypothesis import strategies as st
from netaddr import IPAddress, IPNetwork, IPRange, IPSet

from hardenprobe.addresses.sets import AddressSet

EXAMPLES = {
    "half of a block": (["192.0.2.0/24"], ["192.0.2.0/25"], 128, ["192.0.2.128/25"]),
    "all but one": (
        ["192.0.2.0/24"],
        ["192.0.2.10"],
        255,
        [
            "192.0.2.0/29",
            "192.0.2.8/31",
            "192.0.2.11/32",
            "192.0.2.12/30",
            "192.0.2.16/28",
            "192.0.2.32/27",
            "192.0.2.64/26",
            "192.0.2.128/25",
        ],
    ),
    "ranges": (
        ["192.0.2.0-192.0.2.255"],
        ["192.0.2.16-192.0.2.31", "192.0.2.200"],
        239,
        [
            "192.0.2.0/28",
            "192.0.2.32/27",
            "192.0.2.64/26",
            "192.0.2.128/26",
            "192.0.2.192/29",
            "192.0.2.201/32",
            "192.0.2.202/31",
            "192.0.2.204/30",
            "192.0.2.208/28",
            "192.0.2.224/27",
        ],
    ),
    "a wide block": (
        ["10.0.0.0/8"],
        ["10.20.0.0/16", "10.30.5.0/24"],
        16_711_424,
        [
            "10.0.0.0/12",
            "10.16.0.0/14",
            "10.21.0.0/16",
            "10.22.0.0/15",
            "10.24.0.0/14",
            "10.28.0.0/15",
            "10.30.0.0/22",
            "10.30.4.0/24",
            "10.30.6.0/23",
            "10.30.8.0/21",
            "10.30.16.0/20",
            "10.30.32.0/19",
            "10.30.64.0/18",
            "10.30.128.0/17",
            "10.31.0.0/16",
            "10.32.0.0/11",
            "10.64.0.0/10",
            "10.128.0.0/9",
        ],
    ),
    "approved is wider": (["198.51.100.1-198.51.100.254"], ["198.51.100.0/24"], 0, []),
    "both ends": (
        ["198.51.100.7-198.51.100.20"],
        ["198.51.100.8/29"],
        6,
        ["198.51.100.7/32", "198.51.100.16/30", "198.51.100.20/32"],
    ),
    "everything": (
        ["0.0.0.0/0"],
        ["10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16"],
        4_277_075_968,
        31,
    ),
    "two entries": (
        ["203.0.113.64/26", "203.0.113.128/25"],
        ["203.0.113.96/27"],
        160,
        ["203.0.113.64/27", "203.0.113.128/25"],
    ),
    "last address": (
        ["192.168.1.0/24", "192.168.0.0/24", "192.168.2.0/23"],
        ["192.168.3.255"],
        1023,
        [
            "192.168.0.0/23",
            "192.168.2.0/24",
            "192.168.3.0/25",
            "192.168.3.128/26",
            "192.168.3.192/27",
            "192.168.3.224/28",
            "192.168.3.240/29",
            "192.168.3.248/30",
            "192.168.3.252/31",
            "192.168.3.254/32",
        ],
    ),
    "across a boundary": (
        ["203.0.113.255-203.0.114.2"],
        ["203.0.114.0"],
        3,
        ["203.0.113.255/32", "203.0.114.1/32", "203.0.114.2/32"],
    ),
    "IPv6": (["2001:db8::/32"], ["2001:db8:0:1::/64"], 2**96 - 2**64, 32),
    "IPv6, two blocks": (
        ["fe80::/10", "2001:db8:ffff::/48"],
        ["fe80::/64", "2001:db8:ffff:8000::/49"],
        332306998946833412689015005947887616,
        55,
    ),
}  # fmt: skip


@pytest.mark.parametrize(
    ("allowed", "approved", "count", "cover"), list(EXAMPLES.values()), ids=list(EXAMPLES)
)
def test_example(allowed: list[str], approved: list[str], count: int, cover: list[str] | int) -> None:
    excess = AddressSet.of(allowed) - AddressSet.of(approved)
    assert excess.count == count
    if isinstance(cover, int):  # too many to print; the second opinion below names every one
        assert len(excess.cover()) == cover
    else:
        assert list(excess.cover()) == cover
    second = _second(allowed) - _second(approved)
    assert second.size == count
    assert sorted(excess.cover()) == sorted(map(str, second.iter_cidrs()))


def test_example_of_everything_begins_and_ends_as_worked_out() -> None:
    cover = (
        AddressSet.of(["0.0.0.0/0"]) - AddressSet.of(["10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16"])
    ).cover()
    assert cover[:3] == ("0.0.0.0/5", "8.0.0.0/7", "11.0.0.0/8")
    assert cover[-2:] == ("208.0.0.0/4", "224.0.0.0/3")


def test_a_single_range_needs_no_more_blocks_than_the_bound() -> None:
    """At most 2(w-1) for a w-bit space, reached by 1 to 2^w-2."""
    for first, last, most in (("192.0.2.1", "192.0.2.254", 14), ("0.0.0.1", "255.255.255.254", 62)):
        assert len(AddressSet.of([f"{first}-{last}"]).cover()) == most
    ends = "::1-ffff:ffff:ffff:ffff:ffff:ffff:ffff:fffe"
    assert len(AddressSet.of([ends]).cover()) == 254


small = st.integers(0, 255).map(lambda n: f"192.0.2.{n}")
blocks = st.tuples(st.integers(0, 255), st.integers(24, 32)).map(
    lambda p: str(ip_network((f"192.0.2.{p[0]}", p[1]), strict=False))
)
ranges = st.tuples(st.integers(0, 255), st.integers(0, 255)).map(
    lambda p: f"192.0.2.{min(p)}-192.0.2.{max(p)}"
)
lists = st.lists(st.one_of(small, blocks, ranges), max_size=6)


@given(lists, lists)
@pytest.mark.slow
def test_brute_force_agrees_on_a_small_block(allowed: list[str], approved: list[str]) -> None:
    left, right = AddressSet.of(allowed), AddressSet.of(approved)
    brute_left, brute_right = _brute(allowed), _brute(approved)
    for ours, theirs in (
        (left - right, brute_left - brute_right),
        (left | right, brute_left | brute_right),
        (left & right, brute_left & brute_right),
    ):
        assert _members(ours) == theirs
        assert ours.count == len(theirs)
        assert bool(ours) is bool(theirs)
        assert ours.first() == (str(IPv4Address(min(theirs))) if theirs else None)
        assert all((str(IPv4Address(n)) in ours) == (n in theirs) for n in _brute(["192.0.2.0/24"]))
        assert ours == AddressSet.of(ours.cover())


@given(lists, lists)
def test_second_opinion_agrees(allowed: list[str], approved: list[str]) -> None:
    excess = AddressSet.of(allowed) - AddressSet.of(approved)
    second = _second(allowed) - _second(approved)
    assert list(excess.cover()) == [str(block) for block in second.iter_cidrs()]


wide = st.tuples(st.integers(0, 2**128 - 1), st.integers(0, 128)).map(
    lambda p: str(ip_network((p[0], p[1]), strict=False)) if p[0] > 2**64 else f"::{p[0] % 65535 + 1:x}:1"
)


@given(st.lists(wide, max_size=4), st.lists(wide, max_size=4))
def test_second_opinion_agrees_on_ipv6(allowed: list[str], approved: list[str]) -> None:
    excess = AddressSet.of(allowed) - AddressSet.of(approved)
    second = _second(allowed) - _second(approved)
    assert excess.count == second.size
    assert [ip_network(block) for block in excess.cover()] == [
        ip_network(str(b)) for b in second.iter_cidrs()
    ]


def _comb(free: int, value: int, right: int) -> str:
    """An entry over 198.51.0.0/16 whose mask leaves up to six bits free, and all of the rightmost few."""
    mask = (1 << 32) - 1 & ~free & ~((1 << right) - 1)
    return f"{IPv4Address(value & mask)}/{IPv4Address(mask)}"


bits = st.sets(st.integers(0, 15), max_size=6).map(lambda places: sum(1 << place for place in places))
combs = st.builds(
    _comb, bits, st.integers(0, 65535).map(lambda n: 198 << 24 | 51 << 16 | n), st.integers(0, 6)
)
wholes = st.tuples(st.integers(0, 65535), st.integers(16, 32)).map(
    lambda p: str(ip_network((198 << 24 | 51 << 16 | p[0], p[1]), strict=False))
)
mixed = st.lists(st.one_of(combs, combs, wholes), max_size=5)


@given(mixed, mixed)
def test_second_opinion_agrees_on_masks_with_gaps(allowed: list[str], approved: list[str]) -> None:
    left, right = AddressSet.of(allowed), AddressSet.of(approved)
    second_left, second_right = _second(allowed), _second(approved)
    for ours, theirs in (
        (left - right, second_left - second_right),
        (left | right, second_left | second_right),
        (left & right, second_left & second_right),
    ):
        assert list(ours.cover()) == [str(block) for block in theirs.iter_cidrs()]
        assert ours.count == theirs.size
        assert ours.range_count == len(list(theirs.iter_ipranges()))


@pytest.mark.slow
@given(st.lists(bits, min_size=1, max_size=3), st.lists(bits, min_size=1, max_size=3), st.integers(0, 96))
def test_second_opinion_agrees_on_masks_with_gaps_over_ipv6(
    allowed: list[int], approved: list[int], shift: int
) -> None:
    def entries(free: list[int]) -> list[str]:
        masks = ((1 << 128) - 1 & ~(one << shift) for one in free)
        return [f"{IPv6Address((0x20010DB8 << 96) & mask)}/{IPv6Address(mask)}" for mask in masks]

    excess = AddressSet.of(entries(allowed)) - AddressSet.of(entries(approved))
    second = _second(entries(allowed)) - _second(entries(approved))
    assert excess.count == second.size
    assert list(excess.cover()) == [str(block) for block in second.iter_cidrs()]


def _second(entries: list[str]) -> IPSet:
    found = IPSet()
    for entry in entries:
        address, _, mask = entry.partition("/")
        if "." in mask or ":" in mask:
            found.update(IPSet(_parts(IPAddress(address), IPAddress(mask))))
            continue
        first, dash, last = entry.partition("-")
        found.update(IPSet(IPRange(first, last)) if dash else IPSet([IPNetwork(entry)]))
    return found


def _parts(address: IPAddress, mask: IPAddress) -> list[IPNetwork]:
    """Every block of a mask with gaps, one by one."""
    width = 32 if address.version == 4 else 128
    right = (int(mask) & -int(mask)).bit_length() - 1
    values = [int(address)]
    for place in range(right, width):
        if not int(mask) >> place & 1:
            values += [value | 1 << place for value in values]
    return [IPNetwork((value, width - right), version=address.version) for value in values]


def _brute(entries: list[str]) -> set[int]:
    found: set[int] = set()
    for entry in entries:
        first, dash, last = entry.partition("-")
        if dash:
            found.update(range(int(IPv4Address(first)), int(IPv4Address(last)) + 1))
        else:
            found.update(int(address) for address in ip_network(entry))
    return found


def _members(addresses: AddressSet) -> set[int]:
    return {n for one in addresses.ranges() for n in range(one.first, one.last + 1)}
