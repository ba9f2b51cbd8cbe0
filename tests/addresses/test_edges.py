"""Edges of lists, against sets that are written out."""

from __future__ import annotations

from ipaddress import ip_address

from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.addresses.edges import Edge, edge_text, edges
from hardenprobe.addresses.sets import AddressSet
from hardenprobe.facts import DeclaredAllowList

members = st.sets(st.integers(0, 15))


def text(number: int) -> str:
    return f"192.0.2.{number}"


@given(members.map(lambda found: found | {7}))
def test_an_edge_is_every_pair_of_neighbours_of_which_one_is_admitted(found: set[int]) -> None:
    told = {(edge.inside, edge.outside) for edge in edges(AddressSet.of(map(text, found)))}
    before = str(ip_address("192.0.2.0") - 1)
    pairs = {(text(n), text(m)) for n in found for m in (n - 1, n + 1) if m not in found and m >= 0}
    assert told == pairs | ({(text(0), before)} if 0 in found else set())


@given(members, st.integers(1, 14))
def test_a_source_at_an_edge_is_told_who_stands_beside_it(found: set[int], own: int) -> None:
    entries = tuple(map(text, sorted(found)))
    one = DeclaredAllowList(services=("http",), entries=entries, approved=(), position=1, source="inventory")
    said = edge_text([one], "http", text(own))
    beside = [m for m in (own + 1, own - 1) if (m in found) != (own in found)]
    assert bool(said) is bool(beside)
    if beside:
        assert f"{text(beside[0])} beside it is {'' if beside[0] in found else 'not '}admitted" in said
    assert edge_text([one], "snmp", text(0)) == ""


def test_the_ends_of_a_family_are_no_edges() -> None:
    assert list(edges(AddressSet.of(["0.0.0.0/0", "::/0"]))) == []
    assert list(edges(AddressSet.of(["::/1", "255.255.255.255"]))) == [
        Edge(inside="255.255.255.255", outside="255.255.255.254"),
        Edge(inside="7fff:ffff:ffff:ffff:ffff:ffff:ffff:ffff", outside="8000::"),
    ]
    assert list(edges(AddressSet())) == []


def test_edges_of_a_scattered_set_come_one_at_a_time() -> None:
    """2^68 edges, of which the first two are taken."""
    comb = edges(AddressSet.of(["2001:db8::/ffff:ffff::ffff:0:0"]))
    assert [next(comb).outside, next(comb).inside] == [
        "2001:db7:ffff:ffff:ffff:ffff:ffff:ffff",
        "2001:db8::ffff:ffff",
    ]
