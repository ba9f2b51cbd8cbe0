"""Parsers of datagrams: SNMP, discovery, and odd services."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import Any

from hardenprobe.devices.credentials import Secret, User
from hardenprobe.errors import MalformedReply
from hardenprobe.facts.snmp import SYS_DESCR
from hardenprobe.probes import dns, packets
from hardenprobe.probes.discovery import llmnr, mdns, slp, small_services, ssdp, ws_discovery
from hardenprobe.probes.snmp import agent, connections, objects, strain, usm
from hardenprobe.probes.snmp import pdu as snmp_pdu
from hardenprobe.probes.snmp import response as snmp_response
from support.parsers.registry import NUMBER, PARSERS, answered, host, over, parser
from support.scripted_line import finish


def _agent(*versions: Any, **more: Any) -> Any:
    from hardenprobe.demo_lab.service_snmp import Snmp

    return Snmp(versions=versions, communities=("public",), **more)


def _discovery(name: str) -> Any:
    from hardenprobe.demo_lab import service_discovery

    published = {
        "publishes": (service_discovery.Published(type="_ipp._tcp", instance="T", port=631, text=("p=x",)),)
    }
    return getattr(service_discovery, name)(**(published if name == "Mdns" else {}))


# ---- SNMP


def _version(data: bytes) -> str:
    """The version that a message states, where its length takes one byte."""
    return "1" if data[4:5] == b"\0" else "2c"


def _both(asked: Callable[[str], bytes]) -> Callable[[], tuple[bytes, ...]]:
    """What an agent answers under each version."""

    def of(version: str) -> tuple[bytes, ...]:
        return answered(lambda: _agent(version), lambda: asked(version))()

    return lambda: (*of("1"), *of("2c"))


@parser(
    "snmp", "snmp.agent", seeds=_both(lambda v: snmp_pdu.encode(v, b"public", "get", agent.IDENTITY, NUMBER))
)
def _snmp(data: bytes) -> None:
    _, values = agent.decode_response(_version(data), data, NUMBER)
    assert all(len(text) <= 4 * 256 for text in values.values())


@parser(
    "snmp-engine", "snmp.agent", seeds=answered(lambda: _agent("3"), lambda: agent.encode_discovery(NUMBER))
)
def _snmp_engine(data: bytes) -> None:
    assert len(agent.decode_discovery(data, NUMBER).engine_id or "") <= 128


# Without the time since the start, whose encoding grows: a seed must stay the same.
_STEADY = tuple(column for column in objects.WALKS[0] if column != objects.UPTIME)


def _next(version: str) -> bytes:
    return snmp_pdu.encode(version, b"public", "next", _STEADY, NUMBER)


@parser(
    "snmp-pdu",
    "snmp.ber",
    "snmp.response",
    "snmp.objects",
    seeds=lambda: (*_both(_next)(), *PARSERS["snmp"].corpus()),
)
def _snmp_pdu(data: bytes) -> None:
    version = _version(data)
    response = snmp_response.decode(version, data, NUMBER)

    async def again(oids: Any) -> Any:
        return response

    columns = objects.COLUMNS[: max(1, len(response.bindings))]
    rows, fault = finish(objects.walk(again, columns))
    objects.read({**{column: {} for column in objects.COLUMNS}, **rows}, version, "public", "default", fault)


_TABLES = (connections.TCP_LISTENER, connections.TCP_CONNECTION, connections.UDP_ENDPOINT)


def _next_rows(version: str) -> bytes:
    return snmp_pdu.encode(version, b"public", "next", _TABLES, NUMBER)


def _with_tables() -> Any:
    # In the documentation networks (RFC 5737).
    return _agent("2c", listens={"192.0.2.7": (23, 515)}, clients={"192.0.2.40": 515})


@parser("snmp-connections", "snmp.connections", seeds=answered(_with_tables, lambda: _next_rows("2c")))
def _snmp_connections(data: bytes) -> None:
    response = snmp_response.decode(_version(data), data, NUMBER)

    async def again(oids: Any) -> Any:
        return response

    tables = (*_TABLES, connections.OLD_TCP, connections.OLD_UDP)[: max(1, len(response.bindings))]
    rows, _ = finish(objects.walk(again, tables))
    connections.read(rows)


parser("snmp-bulk-line", "snmp.strain", seeds=lambda: PARSERS["snmp-pdu"].seeds())(
    over(161, "snmp", lambda line: strain.ask_bulk(line, b"public", "public", "default"))
)


_USER = User(
    name="collector",
    auth="SHA-256",
    auth_password=Secret("lab-reads-only"),
    priv="AES",
    priv_password=Secret("lab-keeps-quiet"),
)


def _protected() -> tuple[bytes, ...]:
    from hardenprobe.demo_lab import usm as answering

    known = answering.User(
        name="collector", auth="SHA-256", password="lab-reads-only", privacy_password="lab-keeps-quiet",
        lowest="noAuthNoPriv",
    )  # fmt: skip
    answer = _agent("3", users=(known,)).answerer(host())
    found = []
    for level in usm.LEVELS:
        pdu = snmp_pdu.request_pdu("3", "get", (SYS_DESCR,), NUMBER)
        found.append(answer(usm.encode(_USER, level, usm.Engine(host().engine_id, 1, 1), pdu, NUMBER)))
    return tuple(filter(None, found))


@parser(
    "snmp-usm", "snmp.message", "snmp.usm", seeds=lambda: (*_protected(), *PARSERS["snmp-engine"].corpus())
)
def _usm(data: bytes) -> None:
    level = tuple(usm.LEVELS)[len(data) % len(usm.LEVELS)]
    usm.decode(_USER, level, usm.Engine(host().engine_id, 1, 1), data, NUMBER)


# ---- discovery and odd services over datagrams


@parser(
    "mdns",
    "dns",
    "discovery.mdns",
    seeds=answered(lambda: _discovery("Mdns"), lambda: packets.encode_mdns("_ipp._tcp.local", "PTR", NUMBER)),
)
def _mdns(data: bytes) -> None:
    records = dns.decode(data, NUMBER, 0)
    mdns.told(records)
    mdns.pointers(records, mdns.ALL_TYPES)
    for record in records:
        mdns.text_of(record)


@parser("mdns-starred", "discovery.mdns", seeds=lambda: PARSERS["mdns"].seeds())
def _starred(data: bytes) -> None:
    assert len(mdns.starred(data, NUMBER)) == len(data)


@parser(
    "llmnr",
    "discovery.llmnr",
    seeds=answered(lambda: _discovery("LlmnrDatagrams"), lambda: packets.encode_llmnr("t-1", "A", NUMBER)),
)
def _llmnr(data: bytes) -> None:
    llmnr.told(data, NUMBER)


parser("llmnr-line", "discovery.llmnr", seeds=lambda: (b"\0\x0c" + bytes(12),))(
    over(5355, "llmnr", lambda line: llmnr.over_tcp(line, "t-1", "A"))
)


@parser(
    "netbios",
    "packets",
    seeds=answered(lambda: _discovery("Netbios"), lambda: packets.encode_node_status(NUMBER)),
)
def _netbios(data: bytes) -> None:
    packets.decode_node_status(data, NUMBER)


def _ntp_seeds() -> tuple[bytes, ...]:
    from hardenprobe.demo_lab.service_odd import Ntp

    answer = Ntp(control=True, private=True).answerer(host())
    return tuple(filter(None, (answer(packets.encode_ntp(mode, NUMBER)) for mode in (6, 7))))


@parser("ntp", "packets", seeds=_ntp_seeds)
def _ntp(data: bytes) -> None:
    packets.decode_ntp(data, 7 if data[:1] and data[0] & 7 == 7 else 6, NUMBER)


@parser("tftp", "packets", seeds=lambda: (b"\0\5\0\1File not found\0", b"\0\3\0\1data"))
def _tftp(data: bytes) -> None:
    packets.decode_tftp(data)


@parser("slp", "discovery.slp", seeds=answered(lambda: _discovery("Slp"), lambda: slp.encode_request(NUMBER)))
def _slp(data: bytes) -> None:
    with suppress(MalformedReply):
        assert slp.told_to_group(b"\2\13" + data[2:], NUMBER)
    with suppress(MalformedReply):
        assert slp.told_to_group(data, NUMBER)
    assert len(slp.decode_reply(data, NUMBER)[1]) <= slp.MOST_URLS


@parser(
    "ssdp",
    "discovery.ssdp",
    seeds=answered(lambda: _discovery("Ssdp"), lambda: ssdp.encode_search("127.0.9.9")),
)
def _ssdp(data: bytes) -> None:
    assert len(ssdp.decode_response(data)) <= 32


_PROBE = "urn:uuid:00000000-0000-4000-8000-000000004711"


@parser(
    "ws-discovery",
    "discovery.ws_discovery",
    seeds=answered(
        lambda: _discovery("WsDiscovery"), lambda: ws_discovery.encode_probe(ws_discovery.DIALECTS[0], _PROBE)
    ),
)
def _ws_discovery(data: bytes) -> None:
    for dialect in ws_discovery.DIALECTS:
        with suppress(MalformedReply):
            assert len(ws_discovery.decode_matches(data, dialect, _PROBE)) <= 16


@parser(
    "small-services",
    "discovery.small_services",
    seeds=lambda: (b"12345678", b"Tuesday, 1 December 2026\r\n", b" !\"#$%&'()*"),
)
def _small_services(data: bytes) -> None:
    for service in small_services.SERVICES.values():
        with suppress(MalformedReply):
            small_services.read(data, service, b"12345678")
