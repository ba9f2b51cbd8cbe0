"""Read the SNMP objects that verdicts rest on, once a default community is known to be answered.

One GetNext asks for the next row of every column at once, so that a device is asked a dozen times at most. Text about
people is starred in the transcript and kept as shapes and counts. Raw print channels that the device names are taken
off the list of ports that may be spoken to.
"""

from __future__ import annotations

import contextlib
import re
import secrets
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Mapping, Sequence
from ipaddress import IPv4Address, ip_address, ip_network
from typing import Any

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import (
    AccessEntry,
    Channel,
    Interface,
    NotificationTarget,
    Personal,
    SnmpAnswer,
    SnmpObjects,
    Subnet,
    Supplicant,
    readable,
)
from hardenprobe.model import Observation
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.snmp import pdu
from hardenprobe.probes.snmp.agent import NO_SUCH_NAME, PORT
from hardenprobe.probes.snmp.response import Binding, Response, decode

ROUNDS = 12  # GetNext requests; the rows read of the longest column
# RFC 3418, RFC 2790, RFC 4293 (ipForwarding).
DESCRIPTION, UPTIME, CONTACT = "1.3.6.1.2.1.1.1", "1.3.6.1.2.1.1.3", "1.3.6.1.2.1.1.4"
DATE, MODEL, FORWARDING = "1.3.6.1.2.1.25.1.2", "1.3.6.1.2.1.25.3.2.1.3", "1.3.6.1.2.1.4.1"
DEVICE_TYPE, PRINTER_STATUS = "1.3.6.1.2.1.25.3.2.1.2", "1.3.6.1.2.1.25.3.5.1.1"
# RFC 2863.
IF_TYPE, IF_STATUS = "1.3.6.1.2.1.2.2.1.3", "1.3.6.1.2.1.2.2.1.8"
# RFC 4293: ipAddressPrefix of ipAddressTable, and the table of IPv4 alone that it replaces.
PREFIX, PREFIX_ROW = "1.3.6.1.2.1.4.34.1.5", "1.3.6.1.2.1.4.32.1"
ADDRESS_INTERFACE, ADDRESS_MASK = "1.3.6.1.2.1.4.20.1.2", "1.3.6.1.2.1.4.20.1.3"
# RFC 3415: vacmAccessWriteViewName, and vacmViewTreeFamilyType, which says what a view holds.
WRITE_VIEW, VIEW_FAMILY = "1.3.6.1.6.3.16.1.4.1.6", "1.3.6.1.6.3.16.1.5.2.1.4"
INCLUDED = 1
# RFC 3414: usmUserAuthProtocol; the names of users are in its index.
USER = "1.3.6.1.6.3.15.1.2.2.1.5"
# RFC 3413: columns of snmpTargetAddrTable, snmpTargetParamsTable and snmpNotifyTable.
TARGET_ADDRESS, TARGET_TAGS, TARGET_PARAMS, TARGET_STATUS = (
    f"1.3.6.1.6.3.12.1.2.1.{column}" for column in (3, 6, 7, 9)
)
PARAMS_MODEL, PARAMS_LEVEL = "1.3.6.1.6.3.12.1.3.1.2", "1.3.6.1.6.3.12.1.3.1.5"
NOTIFY_TAG, NOTIFY_STATUS = "1.3.6.1.6.3.13.1.1.1.2", "1.3.6.1.6.3.13.1.1.1.5"
ACTIVE = 1  # RowStatus, RFC 2579: a row in another state is not in use
SUPPLICANT = "1.0.8802.1.1.1.1.3.1.1.1"  # IEEE8021-PAE-MIB, dot1xSuppPaeState
FORWARDING_6 = "1.3.6.1.2.1.4.25"  # RFC 4293, ipv6IpForwarding
# RFC 3805.
OPERATOR, SERVICE_PERSON = "1.3.6.1.2.1.43.5.1.1.4", "1.3.6.1.2.1.43.5.1.1.5"
CHANNEL_TYPE, CHANNEL_STATE = "1.3.6.1.2.1.43.14.1.1.2", "1.3.6.1.2.1.43.14.1.1.6"
CHANNEL_INFORMATION = "1.3.6.1.2.1.43.14.1.1.9"
IP_ADDRESS = "1.3.6.1.2.1.4.34.1.3"  # RFC 4293, ipAddressIfIndex, whose index is the address
JOB_OWNER = "1.3.6.1.4.1.2699.1.1.1.3.1.1.9"  # RFC 2707
# Walked apart, so that one bad answer does not cost the rest.
WALKS = (
    (DESCRIPTION, UPTIME, CONTACT, DATE, MODEL, FORWARDING, DEVICE_TYPE),
    (
        IF_TYPE, IF_STATUS, ADDRESS_INTERFACE, ADDRESS_MASK, PREFIX, IP_ADDRESS, OPERATOR, SERVICE_PERSON,
        CHANNEL_TYPE, CHANNEL_STATE, CHANNEL_INFORMATION, JOB_OWNER, PRINTER_STATUS,
    ),
    (
        WRITE_VIEW, VIEW_FAMILY, USER, TARGET_ADDRESS, TARGET_TAGS, TARGET_PARAMS, TARGET_STATUS, PARAMS_MODEL,
        PARAMS_LEVEL, NOTIFY_TAG, NOTIFY_STATUS, SUPPLICANT, FORWARDING_6,
    ),
)  # fmt: skip
COLUMNS = tuple(column for columns in WALKS for column in columns)
# Where a row that was not read could be the one that matters: interfaces, addresses, receivers, supplicants, print channels.
WHOLE = frozenset(
    {
        IF_TYPE, IF_STATUS, ADDRESS_INTERFACE, PREFIX, IP_ADDRESS, TARGET_ADDRESS, NOTIFY_TAG, SUPPLICANT,
        CHANNEL_TYPE,
    }
)  # fmt: skip
PEOPLE = {
    CONTACT: "contact",
    OPERATOR: "operator",
    SERVICE_PERSON: "service person",
    JOB_OWNER: "job owner",
}

# IANA-PRINTER-MIB, PrtChannelTypeTC, and the TCP ports that they mean.
CHANNEL_PORTS = {8: 515, 11: 9100, 44: 631}
PORT_TCP = 37
RAW = frozenset({11, PORT_TCP})
NO_DATA = 4  # prtChannelState
UP = 1  # ifOperStatus
PRINTING = 4  # hrPrinterStatus

Next = Callable[[Sequence[str]], Awaitable[Response | None]]
Rows = Mapping[str, dict[str, Binding]]


def mask(text: bytes) -> str:
    """The shape of a text about people: every letter and digit starred.

    >>> mask(b"J. Doe <j@x.example>")
    '*. *** <*@*.*******>'
    """
    return re.sub(r"\w", "*", readable(text, 64))


async def walk(ask: Next, columns: Sequence[str] = COLUMNS, rounds: int = ROUNDS) -> tuple[Rows, str | None]:
    """Read columns row by row.

    Args:
        ask: Sends one GetNext; None is silence.

    Returns:
        Column to the index of each row and its value; and why rows may be missing, None where none are.

    Raises:
        MalformedReply: From `ask`.
    """
    found: dict[str, dict[str, Binding]] = {column: {} for column in columns}
    at = {column: column for column in columns}
    fault = None
    for _ in range(rounds):
        if not at:
            break
        asked = list(at)
        answer = await ask([at[column] for column in asked])
        if answer is None:
            fault = "the agent fell silent"
            break
        if answer.status == NO_SUCH_NAME and 0 < answer.index <= len(asked):
            del at[asked[answer.index - 1]]  # version 1: this column has no next; ask for the others again
            continue
        if answer.status or len(answer.bindings) < len(asked):
            fault = f"error-status {answer.status}" if answer.status else "fewer values than were asked for"
            break
        for column, got in zip(asked, answer.bindings, strict=False):
            if got is not None and _arcs(got.oid) <= _arcs(at[column]):
                fault = "an object that does not follow the one before"  # and would be walked for ever
                del at[column]
            elif got is None or not got.oid.startswith(column + "."):
                del at[column]
            else:
                found[column][got.oid.removeprefix(column + ".")] = got
                at[column] = got.oid
    if fault is None and not at.keys().isdisjoint(WHOLE):
        fault = f"{rounds} rows were read, and there may be more"
    return found, fault


def _arcs(oid: str) -> tuple[int, ...]:
    return tuple(map(int, oid.split(".")))


def read(rows: Rows, version: str, label: str, origin: str, fault: str | None = None) -> SnmpObjects:
    """Reduce rows to facts."""
    personal = []
    for column, what in PEOPLE.items():
        texts = [b.octets for b in rows[column].values() if b.octets and b.octets.strip()]
        if texts:
            personal.append(Personal(what=what, count=len(texts), masks=tuple(map(mask, texts))))
    date = _first(rows, DATE)
    forwarding, uptime = _first(rows, FORWARDING), _first(rows, UPTIME)
    description, model = (_first(rows, c) for c in (DESCRIPTION, MODEL))
    return SnmpObjects(
        version=version,
        label=label,
        origin=origin,
        description=readable(description.octets, 256) if description and description.octets else None,
        model=readable(model.octets, 256) if model and model.octets else None,
        device_types=tuple(b.object_id for b in rows[DEVICE_TYPE].values() if b.object_id),
        forwarding=forwarding.number if forwarding else None,
        uptime=uptime.number / 100 if uptime and uptime.number is not None else None,
        date=date.octets[:16].hex() if date and date.octets else None,
        printing=any(b.number == PRINTING for b in rows[PRINTER_STATUS].values()),
        interfaces=tuple(
            Interface(index=i, type=b.number or 0, up=_number(rows, IF_STATUS, i) == UP)
            for i, b in rows[IF_TYPE].items()
        ),
        subnets=tuple(dict.fromkeys(_subnets(rows))),
        access=tuple(_access(rows)),
        users=len(rows[USER]),
        targets=tuple(_targets(rows)),
        supplicants=tuple(
            Supplicant(interface=i, state=b.number)
            for i, b in rows[SUPPLICANT].items()
            if b.number is not None
        ),
        ipv6_forwarding=forwarding_6.number if (forwarding_6 := _first(rows, FORWARDING_6)) else None,
        channels=tuple(
            Channel(
                type=b.number or 0,
                port=_channel_port(b.number or 0, rows[CHANNEL_INFORMATION].get(i)),
                open=_number(rows, CHANNEL_STATE, i) != NO_DATA,
            )
            for i, b in rows[CHANNEL_TYPE].items()
        ),
        personal=tuple(personal),
        addresses=tuple(
            dict.fromkeys(filter(None, map(address_of, (*rows[IP_ADDRESS], *rows[ADDRESS_INTERFACE]))))
        ),
        fault=fault,
    )


def address_of(index: str) -> str | None:
    """The address in the index of a row, None for one that needs a zone or is none.

    Source: RFC 4293, ipAddressEntry; RFC 4001, InetAddressType: ipv4(1), ipv6(2).

    >>> address_of("1.4.192.0.2.7"), address_of("192.0.2.7")
    ('192.0.2.7', '192.0.2.7')
    >>> address_of("2.16.32.1.13.184.0.0.0.0.0.0.0.0.0.0.0.7")
    '2001:db8::7'
    """
    arcs = _arcs(index)
    if arcs[:2] in ((1, 4), (2, 16)) and len(arcs) == arcs[1] + 2:
        arcs = arcs[2:]
    elif len(arcs) != 4:
        return None
    return str(ip_address(bytes(arcs))) if max(arcs) < 256 else None


def _subnets(rows: Rows) -> Iterator[Subnet]:
    """What the two address tables say; a row that names no prefix is left out."""
    for cell in rows[PREFIX].values():
        # A row of ipAddressPrefixTable: column, ifIndex, InetAddressType, octets of the prefix with their count, length.
        _, _, row = (cell.object_id or "").partition(f"{PREFIX_ROW}.")
        arcs = [int(arc) for arc in row.split(".") if arc]
        if len(arcs) > 5 and arcs[2] in (1, 2) and arcs[3] == len(arcs) - 5:  # InetAddressType: ipv4, ipv6
            with contextlib.suppress(ValueError):
                network = ip_network((bytes(arcs[4:-1]), arcs[-1]), strict=False)
                yield Subnet(interface=str(arcs[1]), network=str(network))
    for address, cell in rows[ADDRESS_INTERFACE].items():
        mask = rows[ADDRESS_MASK].get(address)
        if cell.number is not None and mask and mask.octets and len(mask.octets) == 4:
            with contextlib.suppress(ValueError):
                network = ip_network(f"{address}/{IPv4Address(mask.octets)}", strict=False)
                yield Subnet(interface=str(cell.number), network=str(network))


def _access(rows: Rows) -> Iterator[AccessEntry]:
    """Rows of vacmAccessTable; model and level are the last two arcs of the index (RFC 3415)."""
    # A view that is named and holds nothing lets nobody write; its name begins the index, after its length.
    views = {
        tuple(arcs[1 : arcs[0] + 1])
        for arcs in ([int(arc) for arc in index.split(".")] for index, cell in rows[VIEW_FAMILY].items()
                     if cell.number == INCLUDED)
    }  # fmt: skip
    for index, cell in rows[WRITE_VIEW].items():
        arcs = index.split(".")
        if len(arcs) > 2:
            writes = bool(cell.octets) and tuple(cell.octets or b"") in views
            yield AccessEntry(model=int(arcs[-2]), level=int(arcs[-1]), writes=writes)


def _targets(rows: Rows) -> Iterator[NotificationTarget]:
    """Rows of snmpTargetAddrTable with their parameters, whose index is the name, one arc for each octet (RFC 3413)."""
    tags = {
        cell.octets for index, cell in rows[NOTIFY_TAG].items()
        if _number(rows, NOTIFY_STATUS, index) in (None, ACTIVE)
    }  # fmt: skip
    for index, cell in rows[TARGET_ADDRESS].items():
        if _number(rows, TARGET_STATUS, index) not in (None, ACTIVE):
            continue
        params = rows[TARGET_PARAMS].get(index)
        name = ".".join(map(str, params.octets or b"")) if params else ""
        own = rows[TARGET_TAGS].get(index)
        octets = cell.octets or b""
        yield NotificationTarget(
            # SnmpUDPAddress (RFC 3417) and its IPv6 counterpart (RFC 3419): address, then two octets of port
            address=str(ip_address(octets[:-2])) if len(octets) in (6, 18) else None,
            model=_number(rows, PARAMS_MODEL, name),
            level=_number(rows, PARAMS_LEVEL, name),
            notified=bool(tags & set((own.octets or b"").split())) if rows[NOTIFY_TAG] and own else None,
        )


def _first(rows: Rows, column: str) -> Binding | None:
    return next(iter(rows[column].values()), None)


def _number(rows: Rows, column: str, index: str) -> int | None:
    cell = rows[column].get(index)
    return cell.number if cell else None


def _channel_port(kind: int, information: Binding | None) -> int | None:
    """The TCP port of a channel; `Port=` names it for chPortTCP, and may name another for the others."""
    said = re.search(rb"(?i)\bport=(\d{1,5})\b", (information and information.octets) or b"")
    port = int(said[1]) if said else CHANNEL_PORTS.get(kind)
    return port if port is not None and 0 < port < 65536 else None


def best_default(asked: ProbeContext) -> Observation[SnmpAnswer] | None:
    """The default community that was answered, version 2c before 1."""
    answered = [
        o for o in asked.of(SnmpAnswer) if o.facts.origin == "default" and o.facts.error_status is not None
    ]
    return max(answered, key=lambda o: o.facts.version == "2c", default=None)


async def ask_objects(
    line: DeviceLink, version: str, community: bytes, label: str, origin: str
) -> Observation[SnmpObjects]:
    """Walk under one community."""
    recorders: list[Recorder] = []

    async def ask(oids: Sequence[str]) -> Response | None:
        number = secrets.randbelow(2**31 - 1) + 1
        hidden = [community] if origin == "supplied" else []
        answer = await line.ask(
            PORT,
            pdu.encode(version, community, "next", oids, number),
            secrets=hidden,
            wait=line.timing.greeting,
        )
        recorders.append(answer.recorder)
        try:
            return decode(version, answer.data, number) if answer.data else None
        except MalformedReply:
            answer.recorder.exchanges = [e for e in answer.recorder.exchanges if e.direction == "sent"]
            raise

    rows, fault = await _walked(ask)
    for column in PEOPLE:
        for cell in rows[column].values():
            for recorder in recorders:
                recorder.forget(cell.octets or b"")
    for index in rows[USER]:
        for recorder in recorders:
            recorder.forget(_user_name(index))
    facts = read(rows, version, label, origin, fault)
    return line.observation(facts, line.endpoint(PORT, "udp", "snmp"), *recorders)


def _user_name(index: str) -> bytes:
    """The name in an index of usmUserTable, as it is encoded there: engine id and name, each after its length.

    >>> _user_name("5.128.0.0.0.1.4.117.115.101.114")
    b'user'
    """
    arcs = _arcs(index)
    name = arcs[arcs[0] + 2 :] if len(arcs) > arcs[0] + 1 else ()
    return bytes(arc for arc in name if arc < 128)


async def _walked(ask: Next) -> tuple[Rows, str | None]:
    """Walk the columns group by group."""
    rows: dict[str, dict[str, Binding]] = {}
    fault = None
    for columns in WALKS:
        try:
            found, short = await walk(ask, columns)
            rows |= found
            fault = short or fault
        except MalformedReply as exc:
            fault = str(exc)
            rows |= {column: {} for column in columns}
    return rows, fault


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
    answered = best_default(asked)
    if answered is None:
        return
    facts = answered.facts
    seen = await ask_objects(asked.line, facts.version, facts.label.encode(), facts.label, "default")
    yield seen
    hush(asked.line, seen.facts)


def hush(line: DeviceLink, objects: SnmpObjects) -> None:
    """Never speak to a port that the device itself reports as a raw print channel."""
    line.never_speak |= {c.port for c in objects.channels if c.type in RAW and c.port is not None}


PROBE = Probe(name="snmp-objects", produces=(SnmpObjects,), ask=_ask, place=("udp", PORT))
