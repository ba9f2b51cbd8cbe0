"""The small table of objects that a device's SNMP agent serves, and the three ways of reading it.

Sources: RFC 3418 (system), RFC 2790 (host resources), RFC 3805 (printer), RFC 3411 (engine). Enterprise number 32473 is
kept for documentation by RFC 5612.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from ipaddress import ip_address
from typing import Any, Literal

from pysnmp.proto import api, rfc1902

from hardenprobe.demo_lab.service import Host

Oid = tuple[int, ...]
SYS_CONTACT: Oid = (1, 3, 6, 1, 2, 1, 1, 4, 0)
ENTERPRISE = (1, 3, 6, 1, 4, 1, 32473)
MOST_REPETITIONS = 50  # of a GetBulk; bounds an answer to one datagram of a few kilobytes

PRINTS = frozenset({"printer", "multifunction", "label-printer", "plotter"})
KINDS = {"printer": 1, "multifunction": 2, "scanner": 3, "label-printer": 4, "plotter": 5}

# PrtChannelTypeTC of IANA-PRINTER-MIB.
LPD_SERVER, PORT_9100, PORT_TCP, IPP = 8, 11, 37, 44

SUBNETS = ("192.0.2", "198.51.100", "203.0.113")

_v2 = api.PROTOCOL_MODULES[api.SNMP_VERSION_2C]


class Table:
    """Objects in the order of their names.

    Args:
        objects: Object name to a function that makes its value now.
    """

    def __init__(self, objects: dict[Oid, Callable[[], Any]]) -> None:
        self._objects = objects
        self._names = sorted(objects)

    def get(self, oid: Oid) -> Any | None:
        """The value now, None where there is no such object."""
        make = self._objects.get(oid)
        return make() if make else None

    def after(self, oid: Oid) -> tuple[Oid, Any] | None:
        """The next object in order, None at the end of the view."""
        at = bisect_right(self._names, oid)
        return (self._names[at], self._objects[self._names[at]]()) if at < len(self._names) else None

    def put(self, oid: Oid, value: Any) -> None:
        """Change one object."""
        self._objects[oid] = lambda: value

    def knows(self, oid: Oid) -> bool:
        """Whether some instance of the same object is there."""
        return any(name[: len(oid) - 1] == oid[:-1] for name in self._names)

    def __len__(self) -> int:
        return len(self._names)


EMPTY = Table({})


@dataclass(frozen=True, kw_only=True)
class Shown:
    """What an agent shows beyond what every device of the lab shows.

    Attributes:
        contact: sysContact; the device's owner by default.
        operator: prtGeneralCurrentOperator.
        job_owners: jmJobOwner, one row each.
        interfaces: Whether each Ethernet interface is up; a loopback interface is always there and up.
        forwards: ipForwarding.
        utc_offset_h: The zone its clock shows.
        states_zone: hrSystemDate names the zone.
        access: vacmAccessTable is in the view; "writes" gives version 2c a write view.
        channels: TCP ports that prtChannelTable names beside those of its print services.
        addresses: What ipAddressTable holds (RFC 4293).
        users: Their names in usmUserTable, where `access` shows the tables (RFC 3414).
        receivers: Address to the version in which it is sent notifications; version 3 with privacy (RFC 3413).
        supplicant: dot1xSuppPaeState of the first Ethernet interface (IEEE 802.1X), None where it has none.
        wireless: Whether each IEEE 802.11 interface is up.
        forwards_6: ipv6IpForwarding.
        listens: Local address to TCP ports that tcpListenerTable has beside those of its services (RFC 4022).
        clients: Address to the TCP port that it has a connection with; the tables of connections are there where either is.
    """

    contact: str | None = None
    operator: str = ""
    job_owners: tuple[str, ...] = ()
    interfaces: tuple[bool, ...] = (True,)
    forwards: bool = False
    utc_offset_h: int = 0
    states_zone: bool = True
    access: Literal["hidden", "reads", "writes"] = "hidden"
    channels: tuple[int, ...] = ()
    addresses: tuple[str, ...] = ()
    users: tuple[str, ...] = ()
    receivers: Mapping[str, Literal["1", "2c", "3"]] = field(default_factory=dict)
    supplicant: int | None = None
    wireless: tuple[bool, ...] = ()
    forwards_6: bool = False
    listens: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    clients: Mapping[str, int] = field(default_factory=dict)


def of(host: Host, shown: Shown | None = None) -> Table:
    """The objects of one device."""
    shown = shown or Shown()
    device, lab = host.device.listed, host.device.lab
    assert lab is not None
    text, number, name = rfc1902.OctetString, rfc1902.Integer32, rfc1902.ObjectIdentifier
    prints = device.kind in PRINTS
    fixed: dict[str, Any] = {
        "2.1.1.1.0": text(f"{lab.model}; firmware {lab.firmware}"),
        "2.1.1.2.0": name((*ENTERPRISE, 1, KINDS.get(device.kind, 9))),
        "2.1.1.4.0": text(device.owner or "" if shown.contact is None else shown.contact),
        "2.1.1.5.0": text((device.names or (device.asset_tag,))[0].partition(".")[0]),
        "2.1.1.6.0": text(device.place or ""),
        "2.1.1.7.0": number(72),
        "2.1.25.3.2.1.2.1": name((1, 3, 6, 1, 2, 1, 25, 3, 1, 5 if prints else 1)),
        "2.1.25.3.2.1.3.1": text(lab.model),
        "2.1.25.3.2.1.5.1": number(2),  # hrDeviceStatus running
        "6.3.10.2.1.1.0": text(host.engine_id),
    }
    fixed["2.1.4.1.0"] = number(1 if shown.forwards else 2)
    fixed["2.1.4.25.0"] = number(1 if shown.forwards_6 else 2)
    rows = [(24, True), *((6, up) for up in shown.interfaces), *((71, up) for up in shown.wireless)]
    for row, (kind, up) in enumerate(rows, 1):
        fixed[f"2.1.2.2.1.3.{row}"] = number(kind)  # softwareLoopback, ethernetCsmacd or ieee80211
        fixed[f"2.1.2.2.1.8.{row}"] = number(1 if up else 2)
        if up:  # RFC 4293 ipAddrTable: each interface in a subnet of its own (RFC 5737, documentation)
            address = "127.0.0.1" if kind == 24 else f"{SUBNETS[row % len(SUBNETS)]}.{row}"
            fixed[f"2.1.4.20.1.2.{address}"] = number(row)
            fixed[f"2.1.4.20.1.3.{address}"] = rfc1902.IpAddress(
                "255.0.0.0" if kind == 24 else "255.255.255.0"
            )
    if shown.access != "hidden":
        # RFC 3415: vacmAccessWriteViewName of group "lab", no context, by model and level.
        for model, level, view in ((2, 1, "all" if shown.access == "writes" else ""), (3, 3, "all")):
            fixed[f"6.3.16.1.4.1.6.3.108.97.98.0.{model}.{level}"] = text(view)
        fixed["6.3.16.1.5.2.1.4.3.97.108.108.3.1.3.6"] = number(1)  # view "all" includes internet
        for user in shown.users:  # usmUserAuthProtocol, by engine id and name
            index = ".".join(map(str, (len(host.engine_id), *host.engine_id, len(user), *user.encode())))
            fixed[f"6.3.15.1.2.2.1.5.{index}"] = name((1, 3, 6, 1, 6, 3, 10, 1, 1, 3))
    fixed |= dict(_receivers(shown))
    if shown.listens or shown.clients:
        fixed |= dict(_connections(host, shown))
    for own in map(ip_address, shown.addresses):
        index = ".".join(map(str, (1 if own.version == 4 else 2, len(own.packed), *own.packed)))
        fixed[f"2.1.4.34.1.3.{index}"] = number(2)
    for row, owner in enumerate(shown.job_owners, 1):
        fixed[f"4.1.2699.1.1.1.3.1.1.9.1.{row}"] = text(owner)
    if prints:
        fixed["2.1.43.5.1.1.4.1"] = text(shown.operator)
        fixed["2.1.25.3.5.1.1.1"] = number(3)  # hrPrinterStatus idle
        fixed["2.1.43.5.1.1.16.1"] = text(lab.model)
        if device.serial:
            fixed["2.1.43.5.1.1.17.1"] = text(device.serial)
        for row, (kind, information) in enumerate(_channels(host, shown), 1):
            fixed[f"2.1.43.14.1.1.2.1.{row}"] = number(kind)
            fixed[f"2.1.43.14.1.1.9.1.{row}"] = text(information)
    objects = {_oid(short): _always(value) for short, value in fixed.items()}
    if shown.supplicant is not None:
        objects[1, 0, 8802, 1, 1, 1, 1, 3, 1, 1, 1, 2] = _always(number(shown.supplicant))
    objects[_oid("2.1.1.3.0")] = lambda: rfc1902.TimeTicks(int(host.uptime_s * 100))
    objects[_oid("2.1.25.1.2.0")] = lambda: text(_date_and_time(host, shown))
    return Table(objects)


def _receivers(shown: Shown) -> Iterator[tuple[str, Any]]:
    """Rows of snmpTargetAddrTable, snmpTargetParamsTable and snmpNotifyTable; every index is a name, an arc an octet."""
    text, number = rfc1902.OctetString, rfc1902.Integer32
    for address, version in shown.receivers.items():
        model, level = {"1": (0, 1), "2c": (1, 1), "3": (3, 3)}[version]
        params = ".".join(map(str, f"v{version}".encode()))
        row = ".".join(map(str, address.encode()))
        yield f"6.3.12.1.2.1.3.{row}", text(ip_address(address).packed + (162).to_bytes(2))
        yield f"6.3.12.1.2.1.6.{row}", text("alerts")
        yield f"6.3.12.1.2.1.7.{row}", text(f"v{version}")
        yield f"6.3.12.1.3.1.2.{params}", number(model)
        yield f"6.3.12.1.3.1.5.{params}", number(level)
        yield "6.3.13.1.1.1.2.97", text("alerts")


def _connections(host: Host, shown: Shown) -> Iterator[tuple[str, Any]]:
    """Rows of tcpListenerTable, tcpConnectionTable (RFC 4022) and udpEndpointTable (RFC 4113)."""

    def place(address: str, port: int) -> str:
        octets = ip_address(address).packed
        return ".".join(map(str, (1 if len(octets) == 4 else 2, len(octets), *octets, port)))

    zero = rfc1902.Unsigned32(0)
    anywhere = "0.0.0.0"
    ports = {(anywhere, one.transport, one.port) for one in host.device.services}
    ports |= {(address, "tcp", port) for address, more in shown.listens.items() for port in more}
    for address, transport, port in sorted(ports):
        if transport == "tcp":
            yield f"2.1.6.20.1.4.{place(address, port)}", zero
        else:
            yield f"2.1.7.7.1.8.{place(address, port)}.0.0.0.{port}", zero
    for client, port in shown.clients.items():
        own = host.device.listed.addresses[0]
        yield f"2.1.6.19.1.7.{place(own, port)}.{place(client, 50000)}", rfc1902.Integer32(5)  # established


def _always(value: Any) -> Callable[[], Any]:
    return lambda: value


def _oid(short: str) -> Oid:
    """A name below internet's mgmt, or its snmpV2 branch, written without 1.3.6.1."""
    return (1, 3, 6, 1, *map(int, short.split(".")))


def _channels(host: Host, shown: Shown) -> Iterator[tuple[int, str]]:
    for service in host.device.services:
        if service.speaks == "lpd":
            yield LPD_SERVER, ""
        elif service.speaks == "raw-print":
            yield (PORT_9100, "") if service.port == 9100 else (PORT_TCP, f"Port={service.port}")
        elif service.speaks == "ipp":
            yield IPP, ""
    for port in shown.channels:
        yield PORT_TCP, f"Port={port}"


def _date_and_time(host: Host, shown: Shown) -> bytes:
    """DateAndTime of RFC 2579, with its zone or without."""
    now = host.now() + timedelta(hours=shown.utc_offset_h)
    sign = b"-" if shown.utc_offset_h < 0 else b"+"
    zone = sign + bytes((abs(shown.utc_offset_h), 0)) if shown.states_zone else b""
    return (
        now.year.to_bytes(2, "big")
        + bytes((now.month, now.day, now.hour, now.minute, now.second, now.microsecond // 100000))
        + zone
    )


def respond(
    table: Table,
    request: Any,
    *,
    version1: bool,
    writable: bool = False,
    most: int = MOST_REPETITIONS,
) -> Any | None:
    """Answer one PDU; None where it is no request.

    Args:
        writable: A Set of sysContact is carried out.
        most: Repetitions of a GetBulk that are honoured.

    Source: RFC 1157 section 4.1 for version 1, RFC 3416 section 4.2 for the others.
    """
    codec = api.PROTOCOL_MODULES[api.SNMP_VERSION_1] if version1 else _v2
    asked = [tuple(oid) for oid, _ in codec.apiPDU.get_varbinds(request)] if not _is_bulk(request) else []
    response = codec.apiPDU.get_response(request)
    if _is_bulk(request) and not version1:
        codec.apiPDU.set_varbinds(response, _bulk(table, request, most))
        return response
    if request.isSameTypeWith(codec.SetRequestPDU()):
        codec.apiPDU.set_varbinds(response, codec.apiPDU.get_varbinds(request))
        if writable and asked == [SYS_CONTACT]:
            table.put(SYS_CONTACT, codec.apiPDU.get_varbinds(request)[0][1])
            return response
        # noSuchName; noAccess for what is outside the write view; authorizationError where there is none (RFC 3413
        # section 3.2).
        codec.apiPDU.set_error_status(response, 2 if version1 else 6 if writable else 16)
        codec.apiPDU.set_error_index(response, 1 if asked else 0)
        return response
    if request.isSameTypeWith(codec.GetNextRequestPDU()):
        found = [table.after(oid) for oid in asked]
    elif request.isSameTypeWith(codec.GetRequestPDU()):
        found = [None if (value := table.get(oid)) is None else (oid, value) for oid in asked]
    else:
        return None
    if version1 and None in found:
        codec.apiPDU.set_varbinds(response, codec.apiPDU.get_varbinds(request))
        codec.apiPDU.set_error_status(response, 2)
        codec.apiPDU.set_error_index(response, found.index(None) + 1)
        return response
    missing = _end if request.isSameTypeWith(codec.GetNextRequestPDU()) else _absent
    pairs = [pair or (oid, missing(table, oid)) for oid, pair in zip(asked, found, strict=True)]
    codec.apiPDU.set_varbinds(response, pairs)
    return response


def _is_bulk(request: Any) -> bool:
    return bool(request.isSameTypeWith(_v2.GetBulkRequestPDU()))


def _absent(table: Table, oid: Oid) -> Any:
    return _v2.NoSuchInstance("") if table.knows(oid) else _v2.NoSuchObject("")


def _end(table: Table, oid: Oid) -> Any:
    return _v2.EndOfMibView("")


def _bulk(table: Table, request: Any, most: int) -> list[tuple[Oid, Any]]:
    names: Sequence[Oid] = [tuple(oid) for oid, _ in _v2.apiBulkPDU.get_varbinds(request)][:MOST_REPETITIONS]
    once = max(0, int(_v2.apiBulkPDU.get_non_repeaters(request)))
    again = min(most, max(0, int(_v2.apiBulkPDU.get_max_repetitions(request))))
    out: list[tuple[Oid, Any]] = [table.after(oid) or (oid, _v2.EndOfMibView("")) for oid in names[:once]]
    current = list(names[once:])
    for _ in range(again):
        row = [table.after(oid) or (oid, _v2.EndOfMibView("")) for oid in current]
        out += row
        current = [oid for oid, _ in row]
        if len(out) > MOST_REPETITIONS or all(value.isSameTypeWith(_v2.EndOfMibView("")) for _, value in row):
            break
    return out
