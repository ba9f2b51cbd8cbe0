"""Where an allow-list ends: the addresses on both sides of an edge test it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from hardenprobe.addresses.sets import BITS, AddressSet, address_text
from hardenprobe.facts import DeclaredAllowList

MOST_EDGES = 20_000
"""Edges of one list that are used: two for each entry of a list of 10,000."""


@dataclass(frozen=True, kw_only=True)
class Edge:
    """Two neighbours, of which one is admitted and one is not.

    Attributes:
        inside: Admitted.
        outside: Not admitted.
    """

    inside: str
    outside: str


def edges(admitted: AddressSet) -> Iterator[Edge]:
    """Every edge of a set, the lowest first."""
    for one in admitted.ranges():
        first, last = address_text(one.version, one.first), address_text(one.version, one.last)
        if one.first > 0:
            yield Edge(inside=first, outside=address_text(one.version, one.first - 1))
        if one.last + 1 < 1 << BITS[one.version]:
            yield Edge(inside=last, outside=address_text(one.version, one.last + 1))


def edge_text(lists: Iterable[DeclaredAllowList], service: str, source: str) -> str:
    """Half a sentence that names the edge that a source is at, of all lists of a service; "" where it is at none."""
    admitted = AddressSet.of(entry for one in lists if service in one.services for entry in one.entries)
    beside = admitted.beside(source) if source else None
    if beside is None:
        return ""
    return f", at the edge of its list: {beside} beside it is {'' if beside in admitted else 'not '}admitted"
