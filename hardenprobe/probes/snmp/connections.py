"""Read the device's own tables of listeners and connections, once an SNMP read is granted.

Sources: RFC 4022 (tcpListenerTable, tcpConnectionTable), RFC 4113 (udpEndpointTable), RFC 4001 (addresses in an index); the
tables of IPv4 alone that they replace, tcpConnTable and udpTable, where a device has no others.
"""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator, Iterator, Sequence
from ipaddress import IPv6Address, ip_address
from typing import Any, Literal

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import Connection, Listener, SnmpAnswer, SnmpConnections
from hardenprobe.model import Observation
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.snmp import pdu
from hardenprobe.probes.snmp.agent import PORT
from hardenprobe.probes.snmp.objects import Rows, best_default, walk
from hardenprobe.probes.snmp.response import Response, decode

ROUNDS = 40  # GetNext requests of one walk, and the rows read of each table
LEFT = 4  # datagrams that are left to whatever else is asked

TCP_LISTENER, TCP_CONNECTION = "1.3.6.1.2.1.6.20.1.4", "1.3.6.1.2.1.6.19.1.7"
UDP_ENDPOINT = "1.3.6.1.2.1.7.7.1.8"
OLD_TCP, OLD_UDP = "1.3.6.1.2.1.6.13.1.1", "1.3.6.1.2.1.7.5.1.1"
LISTEN = 2
MET = frozenset({5, 6, 7, 8, 9, 10, 11})
"""tcpConnectionState from established(5) to timeWait(11): the connection is there, or was until a moment ago."""

_Place = tuple[str, int]


def read(rows: Rows) -> tuple[tuple[Listener, ...], tuple[Connection, ...]]:
    """What the tables say; a row whose index is none is left out."""
    listeners: dict[Listener, None] = {}
    connections: dict[Connection, None] = {}

    def add(transport: Literal["tcp", "udp"], own: _Place, peer: _Place | None) -> None:
        if peer is None:
            if own[1]:
                listeners[Listener(transport=transport, address=own[0], port=own[1])] = None
        elif own[1] and peer[0] and peer[1]:
            connections[
                Connection(transport=transport, address=own[0], port=own[1], peer=peer[0], peer_port=peer[1])
            ] = None

    for index in rows.get(TCP_LISTENER, {}):
        for (own,) in _places(index, 1):
            add("tcp", own, None)
    for index, cell in rows.get(TCP_CONNECTION, {}).items():
        for own, peer in _places(index, 2):
            if cell.number in MET:
                add("tcp", own, peer)
    for index in rows.get(UDP_ENDPOINT, {}):
        for own, peer in _places(index, 2, more=1):
            add("udp", own, peer if peer[1] else None)
    for index, cell in rows.get(OLD_TCP, {}).items():
        for own, peer in _old_places(index, 2):
            if cell.number == LISTEN or cell.number in MET:
                add("tcp", own, None if cell.number == LISTEN else peer)
    for index in rows.get(OLD_UDP, {}):
        for (own,) in _old_places(index, 1):
            add("udp", own, None)
    return tuple(listeners), tuple(connections)


def _places(index: str, count: int, more: int = 0) -> Iterator[tuple[_Place, ...]]:
    """Addresses with their ports, as an index has them: type, length, octets, port (RFC 4001 section 4.1).

    Args:
        more: Arcs behind them.

    >>> list(_places("1.4.192.0.2.7.515", 1)), list(_places("0.0.161.0.0.0.1", 2, more=1))
    ([(('192.0.2.7', 515),)], [(('', 161), ('', 0))])
    """
    arcs = [int(arc) for arc in index.split(".")]
    found, at = [], 0
    for _ in range(count):
        if at + 2 > len(arcs) or at + 3 + arcs[at + 1] > len(arcs):
            return
        kind, size = arcs[at : at + 2]
        octets = arcs[at + 2 : at + 2 + size]
        port = arcs[at + 2 + size]
        # unknown(0), ipv4(1), ipv6(2), and ipv4z(3), ipv6z(4), which have four octets of a zone behind them
        want = {0: 0, 1: 4, 2: 16, 3: 8, 4: 20}.get(kind)
        if size != want or not all(octet < 256 for octet in octets) or not port < 65536:
            return
        found.append((_text(octets[: 4 if kind in (1, 3) else 16]), port))
        at += 3 + size
    if at + more == len(arcs):
        yield tuple(found)


def _old_places(index: str, count: int) -> Iterator[tuple[_Place, ...]]:
    """The same of tables whose index is four octets and a port for each end (RFC 1213)."""
    arcs = [int(arc) for arc in index.split(".")]
    if len(arcs) != 5 * count:
        return
    ends = [arcs[at : at + 5] for at in range(0, len(arcs), 5)]
    if all(arc < 256 for end in ends for arc in end[:4]) and all(end[4] < 65536 for end in ends):
        yield tuple((_text(end[:4]), end[4]) for end in ends)


def _text(octets: Sequence[int]) -> str:
    """An address; one of IPv4 that is written as IPv6 is that of IPv4."""
    if not octets:
        return ""
    found = ip_address(bytes(octets))
    mapped = found.ipv4_mapped if isinstance(found, IPv6Address) else None
    return str(mapped or found)


async def ask_connections(
    line: DeviceLink, version: str, community: bytes, label: str, origin: str
) -> Observation[SnmpConnections]:
    """Walk the tables under one community, as far as the device's limit of datagrams goes."""
    recorders: list[Recorder] = []

    async def ask(oids: Sequence[str]) -> Response | None:
        number = secrets.randbelow(2**31 - 1) + 1
        answer = await line.ask(
            PORT,
            pdu.encode(version, community, "next", oids, number),
            secrets=[community] if origin == "supplied" else [],
            wait=line.timing.greeting,
        )
        recorders.append(answer.recorder)
        return decode(version, answer.data, number) if answer.data else None

    rows: dict[str, Any] = {}
    complete, fault = True, None
    try:
        for columns in ((TCP_LISTENER, TCP_CONNECTION, UDP_ENDPOINT), (OLD_TCP, OLD_UDP)):
            new = TCP_LISTENER in columns
            missing = [one for one in columns if new or not _known(rows, one)]
            rounds = min(ROUNDS, line.spare("datagrams") - LEFT)
            if not missing or fault:
                break
            if rounds < 1:
                complete, fault = False, "the limit of datagrams leaves no room"
                break
            before = len(recorders)
            found, fault = await walk(ask, missing, rounds)
            rows |= found
            complete &= fault is None and len(recorders) - before < rounds
    except MalformedReply as exc:
        complete, fault = False, str(exc)
    listeners, connections = read(rows)
    facts = SnmpConnections(
        version=version,
        label=label,
        origin=origin,
        listeners=listeners,
        connections=connections,
        complete=complete,
        fault=fault,
    )
    return line.observation(facts, line.endpoint(PORT, "udp", "snmp"), *recorders)


def _known(rows: Rows, old: str) -> bool:
    """Whether the table that replaces an older one was there."""
    instead = (TCP_LISTENER, TCP_CONNECTION) if old == OLD_TCP else (UDP_ENDPOINT,)
    return any(rows.get(one) for one in instead)


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
    default = best_default(asked)
    if default is not None:
        facts = default.facts
        yield await ask_connections(asked.line, facts.version, facts.label.encode(), facts.label, "default")
        return
    for known in asked.secrets.communities:
        # It was sent only to a device that was confirmed; see snmp/supplied.py.
        answered = [
            o.facts.version
            for o in asked.of(SnmpAnswer)
            if (o.facts.origin, o.facts.label) == ("supplied", known.label)
            and o.facts.error_status is not None
        ]
        if answered:
            yield await ask_connections(
                asked.line, max(answered), known.community.reveal(), known.label, "supplied"
            )
            return


PROBE = Probe(name="snmp-connections", produces=(SnmpConnections,), ask=_ask, place=("udp", PORT))
