"""The device's own tables of listeners and connections, from rows and over datagrams."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pysnmp.proto import rfc1902
from support.snmp_agent import QUICK, agent

from hardenprobe.demo_lab import mib
from hardenprobe.demo_lab.service_snmp import Snmp
from hardenprobe.facts import Connection, Listener
from hardenprobe.probes.snmp import connections
from hardenprobe.probes.snmp.response import Binding

SIX = "32.1.13.184.0.0.0.0.0.0.0.0.0.0.0.7"
MAPPED = "0.0.0.0.0.0.0.0.0.0.255.255.192.0.2.7"


def rows(column: str, *indexes: str, state: int = 5) -> dict[str, dict[str, Binding]]:
    return {column: {index: Binding(f"{column}.{index}", number=state) for index in indexes}}


@pytest.mark.parametrize(
    ("index", "address"),
    [
        ("1.4.192.0.2.7.515", "192.0.2.7"),
        ("1.4.0.0.0.0.515", "0.0.0.0"),
        ("0.0.515", ""),
        (f"2.16.{SIX}.515", "2001:db8::7"),
        (f"2.16.{MAPPED}.515", "192.0.2.7"),
        (f"4.20.{SIX}.0.0.0.2.515", "2001:db8::7"),
        ("3.8.192.0.2.7.0.0.0.2.515", "192.0.2.7"),
    ],
)
def test_a_listener_is_read_from_its_index(index: str, address: str) -> None:
    """RFC 4022, tcpListenerEntry; RFC 4001, InetAddressType and InetAddress."""
    assert connections.read(rows(connections.TCP_LISTENER, index)) == (
        (Listener(transport="tcp", address=address, port=515),),
        (),
    )


@pytest.mark.parametrize(
    "index",
    ["", "1", "1.4.192.0.2.515", "1.4.192.0.2.7.70000", "1.4.192.0.2.700.515", "2.4.192.0.2.7.515",
     "1.4.192.0.2.7.515.9", "16.4.97.98.99.100.515", "1.4.192.0.2.7.0"],
)  # fmt: skip
def test_an_index_that_is_none_is_left_out(index: str) -> None:
    assert connections.read(rows(connections.TCP_LISTENER, index or "0")) == ((), ())


def test_a_connection_counts_from_established_to_closed() -> None:
    """RFC 4022, tcpConnectionState: synSent(3), established(5), timeWait(11), deleteTCB(12)."""
    ends = "1.4.192.0.2.7.515.1.4.192.0.2.40.40001"
    met = [
        state
        for state in range(1, 13)
        if connections.read(rows(connections.TCP_CONNECTION, ends, state=state))[1]
    ]
    assert met == [5, 6, 7, 8, 9, 10, 11]


def test_an_endpoint_without_a_peer_listens() -> None:
    """RFC 4113, udpEndpointEntry."""
    found = connections.read(
        rows(connections.UDP_ENDPOINT, "1.4.0.0.0.0.161.0.0.0.1", "1.4.192.0.2.7.161.1.4.192.0.2.40.50000.2")
    )
    assert found == (
        (Listener(transport="udp", address="0.0.0.0", port=161),),
        (Connection(transport="udp", address="192.0.2.7", port=161, peer="192.0.2.40", peer_port=50000),),
    )


def test_the_older_tables_say_the_same_of_ipv4() -> None:
    """RFC 1213, tcpConnTable and udpTable."""
    tcp = rows(connections.OLD_TCP, "192.0.2.7.515.192.0.2.40.40001")
    tcp[connections.OLD_TCP]["0.0.0.0.515.0.0.0.0.0"] = Binding("1", number=connections.LISTEN)
    found = connections.read(tcp | rows(connections.OLD_UDP, "0.0.0.0.161"))

    assert [(one.transport, one.port) for one in found[0]] == [("tcp", 515), ("udp", 161)]
    assert [(one.port, one.peer) for one in found[1]] == [(515, "192.0.2.40")]


@given(st.lists(st.lists(st.integers(0, 300), min_size=1, max_size=45), max_size=4))
def test_no_index_raises_anything(indexes: Sequence[Sequence[int]]) -> None:
    told: Any = {}
    for column in (
        connections.TCP_LISTENER,
        connections.TCP_CONNECTION,
        connections.UDP_ENDPOINT,
        connections.OLD_TCP,
        connections.OLD_UDP,
    ):
        told |= rows(column, *(".".join(map(str, one)) for one in indexes))
    connections.read(told)


# ---- over datagrams


def asked(table: mib.Table, **limits: Any) -> Any:
    service = Snmp(versions=("2c",), communities=("public",))
    timing = replace(QUICK, **limits)

    async def run() -> Any:
        async with agent(
            lambda data: service._community_answer(data, "2c", {b"public"}, table), timing
        ) as line:
            seen = await connections.ask_connections(line, "2c", b"public", "public", "default")
            return seen.facts, line.turn.cost.datagrams

    return asyncio.run(run())


def listens(*ports: int, column: str = connections.TCP_LISTENER, index: str = "1.4.0.0.0.0.{}") -> mib.Table:
    arcs = [tuple(map(int, f"{column}.{index.format(port)}".split("."))) for port in ports]
    return mib.Table({one: lambda: rfc1902.Integer32(connections.LISTEN) for one in arcs})


def test_a_device_without_the_newer_tables_is_asked_for_the_older() -> None:
    facts, _ = asked(listens(23, 515, column=connections.OLD_TCP, index="0.0.0.0.{}.0.0.0.0.0"))
    assert ([one.port for one in facts.listeners], facts.complete) == ([23, 515], True)


@pytest.mark.parametrize("datagrams", [connections.LEFT, 12, 200])
def test_a_walk_keeps_to_the_limit_of_datagrams_and_leaves_some(datagrams: int) -> None:
    facts, spent = asked(listens(*range(1, 101)), datagrams=datagrams)
    more = 1  # the older table, in place of the one of UDP that is not there
    assert 0 <= spent <= min(datagrams - connections.LEFT, connections.ROUNDS + more)
    assert len(facts.listeners) == min(spent, connections.ROUNDS)
    assert not facts.complete


def test_an_agent_that_shows_no_tables_has_nothing_to_report() -> None:
    facts, spent = asked(mib.EMPTY)
    assert (facts.listeners, facts.connections, facts.complete, spent) == ((), (), True, 2)
