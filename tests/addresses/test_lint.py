"""Faults of entries, and which of them are needless, against sets that are written out."""

from __future__ import annotations

from ipaddress import IPv4Address

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.addresses.lint import FORMS, REPEATED, SWALLOWED, flaws


def told(*entries: str, forms: tuple[str, ...] = FORMS) -> list[tuple[int, str, tuple[int, ...]]]:
    return [(flaw.position, flaw.kind, flaw.others) for flaw in flaws(entries, forms)]


@pytest.mark.parametrize(
    ("entries", "found"),
    [
        pytest.param(["192.0.2.0/24", "2001:db8::/64"], [], id="nothing"),
        pytest.param(["192.0.2.0/25", "192.0.2.128/25"], [], id="neighbours say one block, and are not needless"),
        pytest.param(
            ["192.0.2.0/24", "192.0.2.0-192.0.2.255", "192.0.2.0/255.255.255.0"],
            [(2, REPEATED, (1,)), (3, REPEATED, (1,))],
            id="one set in three forms",
        ),
        pytest.param(["192.0.2.7", "192.0.2.0/24"], [(1, SWALLOWED, (2,))], id="by a later one"),
        pytest.param(
            ["192.0.2.0-192.0.2.9", "192.0.2.8-192.0.2.17", "192.0.2.10-192.0.2.20"],
            [(2, SWALLOWED, (1, 3))],
            id="by two neighbours that only touch",
        ),
        pytest.param(
            ["10.0.0.0/255.0.0.1", "10.0.0.1/255.0.0.1", "10.0.0.0/9"],
            [(3, SWALLOWED, (1, 2))],
            id="a block by two masks",
        ),
        pytest.param(["10.7.0.5", "10.0.0.5/255.0.0.255"], [(1, SWALLOWED, (2,))], id="an address by a mask"),
        pytest.param(["10.0.0.5/255.0.0.255", "10.0.0.0/8"], [(1, SWALLOWED, (2,))], id="a mask by a block"),
        pytest.param(
            ["10.0.0.5/255.0.0.255", "10.0.0.4/255.0.0.254"], [(1, SWALLOWED, (2,))], id="a mask by a mask"
        ),
        pytest.param(
            ["0.0.0.0/255.0.0.255", "::/ffff::ffff"], [], id="the families do not meet"
        ),
    ],
)  # fmt: skip
def test_needless(entries: list[str], found: list[tuple[int, str, tuple[int, ...]]]) -> None:
    assert told(*entries) == found


def test_forms_that_the_device_does_not_take() -> None:
    entries = ["10.0.0.5/255.0.0.255", "192.0.2.1-192.0.2.9", "192.0.2.128/25", "198.51.100.1"]
    assert told(*entries, forms=("cidr", "range")) == [(1, "form", ())]
    assert told(*entries, forms=("cidr",)) == [(1, "form", ()), (2, "form", ())]
    assert told(*entries, forms=("range", "mask")) == [(3, "form", ())]
    assert told("192.0.2.128/255.255.255.128", forms=("mask",)) == []


def test_texts_name_the_places_they_are_given() -> None:
    entries = ["192.0.2.0-192.0.2.9", "192.0.2.5-192.0.2.15", "192.0.2.8-192.0.2.20", "192.0.2.0-192.0.2.9"]
    assert [flaw.text for flaw in flaws(entries, places=["line 4", "line 5", "line 9", "line 11"])] == [
        "192.0.2.5-192.0.2.15 lies inside line 4 and line 9 together",
        "192.0.2.0-192.0.2.9 admits the same as line 4",
    ]
    assert [flaw.text for flaw in flaws(entries[:3], places=["line 4"] * 3)] == [
        "192.0.2.5-192.0.2.15 lies inside entries of line 4 together"
    ]


small = st.integers(0, 15)
written = st.one_of(
    st.tuples(small, small).map(lambda p: (f"192.0.2.{min(p)}-192.0.2.{max(p)}", {*range(min(p), max(p) + 1)})),
    st.tuples(small, small).map(
        lambda p: (
            f"192.0.2.{p[0] & p[1]}/255.255.255.{240 | p[1]}",
            {n for n in range(16) if n & p[1] == p[0] & p[1]},
        )
    ),
)  # fmt: skip


@given(st.lists(written, max_size=7))
def test_dropping_what_is_needless_changes_nothing_and_dropping_more_does(
    listed: list[tuple[str, set[int]]],
) -> None:
    entries = [text for text, _ in listed]
    needless = {flaw.position: flaw for flaw in flaws(entries, FORMS)}
    kept = [members for i, (_, members) in enumerate(listed, 1) if i not in needless]

    assert set().union(*kept) == set().union(*(members for _, members in listed))
    for i in range(len(kept)):
        assert not kept[i] <= set().union(*kept[:i], *kept[i + 1 :])
    for flaw in needless.values():
        holders = set().union(*(listed[n - 1][1] for n in flaw.others))
        if len(flaw.others) == 1:
            assert listed[flaw.position - 1][1] <= holders
            assert (listed[flaw.position - 1][1] == holders) is (flaw.kind == REPEATED)
        assert flaw.position not in flaw.others


@given(st.lists(st.integers(0, 2**32 - 1), unique=True, max_size=30))
def test_addresses_apart_have_no_fault(addresses: list[int]) -> None:
    assert told(*(str(IPv4Address(n)) for n in addresses)) == []
