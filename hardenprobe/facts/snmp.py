"""What SNMP tells beyond an answer: objects that verdicts rest on, a bulk read, a write-back, a user's levels."""

from __future__ import annotations

from dataclasses import dataclass

from hardenprobe.model import State, Transport
from hardenprobe.model.kinds import facts


@dataclass(frozen=True, kw_only=True)
class Interface:
    """A row of ifTable (RFC 2863).

    Attributes:
        type: ifType of IANAifType-MIB.
        up: ifOperStatus is up(1).
    """

    index: str
    type: int
    up: bool


@dataclass(frozen=True, kw_only=True)
class Subnet:
    """A subnet that an interface holds an address of (RFC 4293, ipAddressTable or ipAddrTable).

    Attributes:
        interface: Its ifIndex.
        network: Prefix in CIDR notation.
    """

    interface: str
    network: str


@dataclass(frozen=True, kw_only=True)
class AccessEntry:
    """A row of vacmAccessTable (RFC 3415): what a group may do in one version and at one level.

    Attributes:
        model: vacmAccessSecurityModel: 0 any, 1 SNMPv1, 2 SNMPv2c, 3 user-based (RFC 3411 section 5).
        level: vacmAccessSecurityLevel: 1 noAuthNoPriv, 2 authNoPriv, 3 authPriv.
        writes: vacmAccessWriteViewName names a view that is shown to hold something (vacmViewTreeFamilyTable).
    """

    model: int
    level: int
    writes: bool


@dataclass(frozen=True, kw_only=True)
class NotificationTarget:
    """Where notifications are sent (RFC 3413 section 4.1.2 and 4.2: snmpTargetAddrTable, snmpTargetParamsTable).

    Attributes:
        address: IPv4 or IPv6, None where its transport is another.
        model: snmpTargetParamsMPModel: 0 SNMPv1, 1 SNMPv2c, 3 SNMPv3 (RFC 3411 section 5); None where it is not shown.
        level: snmpTargetParamsSecurityLevel: 1 noAuthNoPriv, 2 authNoPriv, 3 authPriv.
        notified: snmpNotifyTable names a tag of it; None where that table is not shown.
    """

    address: str | None
    model: int | None
    level: int | None
    notified: bool | None


@dataclass(frozen=True, kw_only=True)
class Supplicant:
    """A port that is to authenticate itself to the network (IEEE8021-PAE-MIB, dot1xSuppConfigTable).

    Attributes:
        interface: Its ifIndex.
        state: dot1xSuppPaeState; 5 is authenticated.
    """

    interface: str
    state: int


@dataclass(frozen=True, kw_only=True)
class Channel:
    """A row of prtChannelTable (RFC 3805).

    Attributes:
        type: prtChannelType of IANA-PRINTER-MIB.
        port: TCP port that it means, None where it says none.
        open: prtChannelState is not noDataAccepted(4).
    """

    type: int
    port: int | None
    open: bool = True


@dataclass(frozen=True, kw_only=True)
class Personal:
    """Text about people, reduced.

    Attributes:
        what: contact, operator, service person or job owner.
        count: How many such texts were read.
        masks: Their shapes: every letter and digit starred.
    """

    what: str
    count: int
    masks: tuple[str, ...]


@facts("snmp-objects")
@dataclass(frozen=True, kw_only=True)
class SnmpObjects:
    """Objects read with GetNext under one community or user.

    Attributes:
        version: "1", "2c" or "3".
        label: The community or user as a report may call it.
        origin: default or supplied.
        model: hrDeviceDescr, device text.
        description: sysDescr, device text.
        device_types: hrDeviceType of each device that it says it is made of, object ids.
        forwarding: ipForwarding, None where it is not shown.
        uptime: sysUpTime, seconds.
        date: hrSystemDate, hex of its octets.
        access: Rows of vacmAccessTable; group names are not kept.
        users: Rows of usmUserTable (RFC 3414); names are not kept.
        targets: Receivers of notifications.
        supplicants: Ports with IEEE 802.1X.
        ipv6_forwarding: ipv6IpForwarding (RFC 4293), None where it is not shown.
        printing: hrPrinterStatus says so of one of its printers.
        addresses: Of its interfaces, IPv4 and IPv6, as far as a zone is not needed to reach them.
        fault: Why reading ended early.
    """

    version: str
    label: str
    origin: str
    model: str | None = None
    description: str | None = None
    device_types: tuple[str, ...] = ()
    forwarding: int | None = None
    uptime: float | None = None
    date: str | None = None
    printing: bool = False
    interfaces: tuple[Interface, ...] = ()
    subnets: tuple[Subnet, ...] = ()
    access: tuple[AccessEntry, ...] = ()
    users: int = 0
    targets: tuple[NotificationTarget, ...] = ()
    supplicants: tuple[Supplicant, ...] = ()
    ipv6_forwarding: int | None = None
    channels: tuple[Channel, ...] = ()
    personal: tuple[Personal, ...] = ()
    addresses: tuple[str, ...] = ()
    fault: str | None = None


@dataclass(frozen=True, kw_only=True)
class Listener:
    """Where the device takes connections or datagrams, as it reports itself.

    Attributes:
        address: Of the device; "0.0.0.0" for all of IPv4, "::" for all of IPv6, "" for both.
    """

    transport: Transport
    address: str
    port: int


@dataclass(frozen=True, kw_only=True)
class Connection:
    """A connection that the device reports: established, or on its way to being closed after it was.

    Attributes:
        address, port: The device's own end.
        peer, peer_port: The other end.
    """

    transport: Transport
    address: str
    port: int
    peer: str
    peer_port: int


@facts("snmp-connections")
@dataclass(frozen=True, kw_only=True)
class SnmpConnections:
    """Listeners and connections as the device's own tables have them (RFC 4022, RFC 4113).

    Attributes:
        version: "1" or "2c".
        label: The community as a report may call it.
        origin: default or supplied.
        complete: Every row was read, of listeners and connections both.
        fault: Why reading ended early.
    """

    version: str
    label: str
    origin: str
    listeners: tuple[Listener, ...] = ()
    connections: tuple[Connection, ...] = ()
    complete: bool = True
    fault: str | None = None


@facts("snmp-bulk")
@dataclass(frozen=True, kw_only=True)
class SnmpBulk:
    """The answer to one GetBulk of version 2c.

    Attributes:
        sent, received: Payload bytes of the datagrams.
        bindings: Values in the answer.
    """

    label: str
    origin: str
    state: State
    repetitions: int
    sent: int
    received: int
    bindings: int | None = None
    fault: str | None = None


@facts("snmp-write-back")
@dataclass(frozen=True, kw_only=True)
class SnmpWriteBack:
    """sysContact was read, written back as it was, and read again. Its text is not kept.

    Attributes:
        read: Its octets were read; nothing is written otherwise.
        written: The Set was sent.
        error_status: Of the response to the Set, None without one.
        same: It reads as before, None where the second reading failed.
        length: Octets of the value.
    """

    version: str
    label: str
    origin: str
    state: State
    read: bool = False
    written: bool = False
    error_status: int | None = None
    same: bool | None = None
    length: int = 0


@facts("snmp-user")
@dataclass(frozen=True, kw_only=True)
class SnmpUser:
    """How one supplied SNMPv3 user was received at each security level it can use.

    Attributes:
        name: The user's name.
        auth, priv: The supplied pair, None for none.
        levels: noAuthNoPriv, authNoPriv, authPriv to served, denied, wrong-digest, wrong-key, unknown-user, silent or
            unreadable; a level that was not tried is missing.
        values: Object id to value as read at the highest level that was served, device text.
        withheld: Why the user was not sent, None where it was.
    """

    name: str
    auth: str | None
    priv: str | None
    levels: dict[str, str]
    values: dict[str, str] | None = None
    withheld: str | None = None


@facts("snmp-answer")
@dataclass(frozen=True, kw_only=True)
class SnmpAnswer:
    """The answer to one GetRequest under one community and version.

    Attributes:
        version: "1" or "2c".
        label: How the community may be named in a report: itself for a published default, else a neutral label.
        origin: default (a published default), supplied (the fleet's own) or control (a random one).
        state: accepting (answered), refusing (port unreachable) or silent.
        error_status: SNMP error-status of the response, 0 for none, None without a response.
        values: Object id to value, device text; empty where the view is narrow.
        fault: Why a reply could not be read.
    """

    version: str
    label: str
    origin: str
    state: State
    error_status: int | None = None
    values: dict[str, str] | None = None
    fault: str | None = None


@facts("snmp-engine")
@dataclass(frozen=True, kw_only=True)
class SnmpEngine:
    """The answer to an SNMPv3 engine discovery (RFC 3414 section 4).

    Attributes:
        engine_id: Hex, None without an answer.
        report: Object id of the report, None where the answer was no report.
    """

    state: State
    engine_id: str | None = None
    boots: int | None = None
    time: int | None = None
    report: str | None = None
    fault: str | None = None


# RFC 3418 system group, RFC 2790 device table, RFC 3805 general table, RFC 3411 engine.
SYS_DESCR = "1.3.6.1.2.1.1.1.0"


SYS_OBJECT_ID = "1.3.6.1.2.1.1.2.0"


SYS_NAME = "1.3.6.1.2.1.1.5.0"


HR_DEVICE_DESCR = "1.3.6.1.2.1.25.3.2.1.3.1"


PRT_SERIAL = "1.3.6.1.2.1.43.5.1.1.17.1"
