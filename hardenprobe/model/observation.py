"""What a probe observed, where, from which vantage point, and what it cost."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from ipaddress import ip_address, ip_network
from typing import Generic, Literal, TypeVar

INVENTORY = "inventory"  # the vantage of what was read and not asked


class Reason(StrEnum):
    """Why a result is not determined, or where an observation came from."""

    SILENT = "silent"
    DROPPED = "dropped"
    CEILING = "ceiling"
    WINDOW = "window"
    SCOPE = "scope"
    OFF_LINK = "off-link"
    NO_CREDENTIAL = "no-credential"
    REACH = "reach"
    INCONCLUSIVE = "inconclusive"
    CRASHED = "crashed"
    AMBIGUOUS = "ambiguous"
    NOT_SEEN = "not-seen"


REASONS: dict[Reason | None, str] = {
    Reason.SILENT: "no answer arrived in time",
    Reason.DROPPED: "the port drops what is sent to it, while others of the device answer",
    Reason.CEILING: "the limit of connections, bytes or seconds of the device was reached",
    Reason.WINDOW: "the time window had ended",
    Reason.SCOPE: "outside the scope",
    Reason.OFF_LINK: "observable only on the device's own link",
    Reason.NO_CREDENTIAL: "no credential was supplied",
    Reason.REACH: "not authorised at this test level",
    Reason.INCONCLUSIVE: "inconclusive response",
    Reason.CRASHED: "the probe or the check failed",
    Reason.AMBIGUOUS: "a random port is open too, so an open port proves nothing",
    Reason.NOT_SEEN: "not seen in the captured traffic, which proves no absence",
    None: "no reason is recorded",
}
"""Why results are not determined, in words."""


class Reach(StrEnum):
    """Test levels, the gentlest first.

    Attributes:
        order: 0 for the gentlest.
        LISTEN: Read captured traffic; nothing is sent.
        LOOK: Connect and read.
        ASK: Standard read-only requests.
        STRAIN: Malformed or high-volume requests; runs where the scope grants the check by name.
        ALTER: Write back a value; runs where the scope grants the check by name.
    """

    order: int

    LISTEN = "listen"
    LOOK = "look"
    ASK = "ask"
    STRAIN = "strain"
    ALTER = "alter"

    def admits(self, other: Reach) -> bool:
        """Tell whether a scan that may go as far as this may run a probe of reach `other`."""
        return other.order <= self.order


for _order, _reach in enumerate(Reach):
    _reach.order = _order


class State(StrEnum):
    """What a port does when it is asked.

    Attributes:
        ACCEPTING: It accepts the connection, or answers the datagram.
        REFUSING: It resets the connection, or says that the port is unreachable.
        SILENT: Nothing comes in time.
    """

    ACCEPTING = "accepting"
    REFUSING = "refusing"
    SILENT = "silent"


Transport = Literal["tcp", "udp"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Endpoint:
    """Where on a device something was asked.

    Attributes:
        address: RFC 5952 or dotted-quad text.
        port: 1 to 65535, as assigned; a lab's port offset is added at the door and never seen here.
        protocol: What is spoken there, as far as it is known ("telnet", "http", "tls", ...).
    """

    address: str
    transport: Transport
    port: int
    protocol: str | None = None
    server_name: str | None = None
    path: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What probing has cost the device; `seconds` is connection time."""

    connections: int = 0
    datagrams: int = 0
    bytes_sent: int = 0
    bytes_received: int = 0
    seconds: float = 0.0

    def __add__(self, other: Cost) -> Cost:
        return Cost(
            connections=self.connections + other.connections,
            datagrams=self.datagrams + other.datagrams,
            bytes_sent=self.bytes_sent + other.bytes_sent,
            bytes_received=self.bytes_received + other.bytes_received,
            seconds=round(self.seconds + other.seconds, 6),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """One piece of a transcript.

    Attributes:
        at: Seconds since the observation's `asked_at`.
        direction: Seen from us.
        hex: The bytes, masked where they held a secret, cut where they were long.
        length: How many bytes there were before cutting.
    """

    at: float
    direction: Literal["sent", "received"]
    hex: str
    length: int


@dataclass(frozen=True, slots=True, kw_only=True)
class IcmpError:
    """An ICMP error in response to a datagram (RFC 792, RFC 4443), as the kernel reports it.

    Attributes:
        sender: Address of whoever sent it: the device, or a router on the way.
    """

    sender: str
    type: int
    code: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SocketRecord:
    """The kernel's account of one connection, or of one datagram question. It proves a state where no bytes do.

    Attributes:
        at: Seconds since the observation's `asked_at` until it began.
        local, local_port: Our own address and port.
        remote, remote_port: Where it went, a lab's port offset included.
        outcome: "connected", "answered", "no answer", or the name of the system's error, such as "ECONNREFUSED"; "timed out"
            where neither came in time.
        seconds: Until that outcome.
        round_trip_us: Smoothed round-trip time of the TCP handshake, microseconds; None where the kernel does not say.
        window: Receive window that the peer advertised, bytes; None where the kernel does not say.
        icmp: The answer to a datagram instead of an answer.
    """

    at: float
    transport: Transport
    local: str
    local_port: int
    remote: str
    remote_port: int
    outcome: str
    seconds: float
    round_trip_us: int | None = None
    window: int | None = None
    icmp: IcmpError | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PacketHeader:
    """The headers of one packet that decided whether a port accepts, as they were on the wire, without payload.

    Attributes:
        at: Seconds since the observation's `asked_at`, by the kernel's clock of packets.
        direction: sent by us, received from the device, or told: an ICMP error about what was sent.
        hex: From the first octet of the IP header to the last of the TCP header; of an ICMP error, to the ports that it
            quotes.
    """

    at: float
    direction: Literal["sent", "received", "told"]
    hex: str


F = TypeVar("F")


F_co = TypeVar("F_co", covariant=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation(Generic[F_co]):
    """One fact that was seen, and what proves it: bytes, packets, and the kernel's account. It has no opinion.

    Attributes:
        id: Digest of everything below but `packets` and `headers`; the same observation always has the same id.
        endpoint: None for what was read from a file.
        vantage: Name of the vantage point.
        asked_at: UTC, ISO 8601 with Z.
        facts: A record of facts.py, or of a plug-in, decoded by its kind.
        packets: Which packets of the review's capture it rests on, as runs of numbers, first and last of each. They say
            where it was written down and not what was seen.
        sockets: The connections and datagrams that it rests on; empty in reviews that did not keep them.
        headers: Of the packets that decided, where no bytes were exchanged and the process might capture.
    """

    id: str
    endpoint: Endpoint | None
    vantage: str
    asked_at: str
    facts: F_co
    transcript: tuple[Exchange, ...] = ()
    packets: tuple[tuple[int, int], ...] = ()
    sockets: tuple[SocketRecord, ...] = ()
    headers: tuple[PacketHeader, ...] = ()

    @property
    def kind(self) -> str:
        """The word under which its facts are registered."""
        return str(getattr(self.facts, "kind"))  # noqa: B009 - the attribute is given by @facts


@dataclass(frozen=True, slots=True, kw_only=True)
class Vantage:
    """Where the question came from.

    Attributes:
        source: Our own address; None where the route to each device decided, and that led to several.
        on_link: Whether the devices are on a network of this machine; None where only some are, or that is not known.
        translated: Whether address translation may change the source address; None where that is not known. It
            never does on the scanner's own link, whatever this says.
        sources: Every source address that asked.
        families: Of the addresses that are asked from here.
        networks: What is asked from here, where it is not everything.
    """

    name: str
    source: str | None = None
    on_link: bool | None = None
    translated: bool | None = None
    sources: tuple[str, ...] = ()
    families: tuple[Literal["ipv4", "ipv6"], ...] = ("ipv4", "ipv6")
    networks: tuple[str, ...] = ()

    def asks(self, address: str) -> bool:
        """Tell whether an address is of a family and a network that are asked from here."""
        ours = ("ipv6" if ":" in address else "ipv4") in self.families
        return ours and self.covers(address)

    def covers(self, address: str) -> bool:
        """Tell whether an address is in a network that is asked from here."""
        if not self.networks:
            return True
        ip = ip_address(address)
        return any(ip in ip_network(one) for one in self.networks)
