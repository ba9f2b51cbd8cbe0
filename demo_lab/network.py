"""The lab as a network: segments that a router joins, stations behind filters, and a scanner with several addresses.

A network is declared in plain data, from which `truth_network` derives what a scan must find, and raised in network
namespaces of this process's own: one for each station and the router, one for the bridges. The process itself is the
scanner. Nothing outside is touched, and everything goes with the process.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import os
import signal
import socket
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from ipaddress import ip_address, ip_network
from pathlib import Path
from typing import Literal, TypedDict

from hardenprobe.demo_lab import fleet, namespaces
from hardenprobe.demo_lab.arrivals import Arrivals, listening
from hardenprobe.demo_lab.declarations import Virtual
from hardenprobe.demo_lab.relay import FRAME, Cable, carrying
from hardenprobe.demo_lab.server import Lab
from hardenprobe.errors import UsageError
from hardenprobe.scope.ports import RAW_PRINT

Transport = Literal["tcp", "udp"]
Action = Literal["drop", "reset", "prohibited"]
ROUTER, BRIDGES = "router", "bridges"
READY_S = 30.0
_REFUSALS = {"reset": "reset", "prohibited": "icmpx admin-prohibited"}
_numbers = itertools.count(1)  # of namespaces; names of 15 characters are the longest


@dataclass(frozen=True, kw_only=True)
class Segment:
    """A link.

    Attributes:
        networks: One of each family at most; the router has the first address of each.
        translated: The router gives its own address to whatever it forwards to the link.
    """

    name: str
    networks: tuple[str, ...]
    translated: bool = False


@dataclass(frozen=True, kw_only=True)
class Filter:
    """Whom a station's packet filter lets through, and what everybody else meets. The first that fits a packet decides.

    Attributes:
        action: `drop` is silence, `reset` a reset or an unreachable port, `prohibited` the ICMP message.
        family: 4, 6, or None for both.
        ports: None for all.
        admits: Networks of sources that are let through.
    """

    action: Action
    family: Literal[4, 6] | None = None
    transport: Transport | None = None
    ports: tuple[int, ...] | None = None
    admits: tuple[str, ...] = ()

    def fits(self, address: str, transport: Transport, port: int) -> bool:
        """Whether it decides about a packet to that port of an address."""
        return (
            self.family in (None, ip_address(address).version)
            and self.transport in (None, transport)
            and (self.ports is None or port in self.ports)
        )

    def turns_away(self, source: str) -> bool:
        return not any(ip_address(source) in ip_network(network) for network in self.admits)


@dataclass(frozen=True, kw_only=True)
class Station:
    """A device on a segment, with the addresses that its listing names and others.

    Attributes:
        unlisted: Addresses that it has beside those of `device.listed`.
        absent: It is switched off.
        delay: Seconds that its cable takes each way.
        loss: Frames in a hundred that its cable loses each way.
        bears: Requests for connections that its services take in a second; what comes beyond that is dropped.
    """

    device: Virtual
    segment: str
    filters: tuple[Filter, ...] = ()
    unlisted: tuple[str, ...] = ()
    absent: bool = False
    delay: float = 0.0
    loss: int = 0
    bears: int | None = None

    @property
    def sound(self) -> bool:
        """Nothing is lost or late."""
        return not (self.delay or self.loss or self.bears)

    @property
    def tag(self) -> str:
        return self.device.listed.asset_tag

    @property
    def addresses(self) -> tuple[str, ...]:
        return (*self.device.listed.addresses, *self.unlisted)


@dataclass(frozen=True, kw_only=True)
class Network:
    """All of it.

    Attributes:
        scanner: Segment to the scanner's own addresses there. Other segments are behind the router.
    """

    segments: tuple[Segment, ...]
    stations: tuple[Station, ...]
    scanner: dict[str, tuple[str, ...]] = field(default_factory=dict)
    approved: tuple[str, ...] = ()

    def segment(self, name: str) -> Segment:
        return next(segment for segment in self.segments if segment.name == name)

    @property
    def networks(self) -> tuple[str, ...]:
        return tuple(network for segment in self.segments for network in segment.networks)


@dataclass(frozen=True, kw_only=True)
class Raised:
    """A network that stands.

    Attributes:
        names: Asset tag to the name of the station's namespace.
        links: Segment to the scanner's own interface there.
    """

    network: Network
    names: dict[str, str]
    links: dict[str, str]


@contextlib.contextmanager
def raised(network: Network) -> Iterator[Raised]:
    """Build a network around this process, which must have left the system's own: `namespaces.leave()`.

    Raises:
        UsageError: A command is missing or failed.
    """
    number = next(_numbers)
    bridges, router = f"{BRIDGES}{number}", f"{ROUTER}{number}"
    names = {station.tag: f"s{number}-{i}" for i, station in enumerate(network.stations)}
    made = [bridges, router, *names.values()]
    links = {
        segment.name: f"n{number}-{i}"
        for i, segment in enumerate(network.segments)
        if segment.name in network.scanner
    }
    cables = [
        Cable(ends=(f"p{k}", f"q{k}"), delay=station.delay, loss=station.loss)
        for k, station in enumerate(network.stations)
        if (station.delay or station.loss) and not station.absent
    ]
    with contextlib.ExitStack() as stack:
        stack.enter_context(carrying(cables))
        stack.callback(_clear, links.values(), made)
        _lay(network, number, bridges, router, names, dict(cable.ends for cable in cables))
        for name, link in links.items():
            namespaces.ip(_up(link, network.segment(name), network.scanner[name], 2))
        homes = [n for s in network.segments if s.name in network.scanner for n in s.networks]
        namespaces.ip(
            f"route add {there} via {_first(home)}"
            for segment in network.segments
            if segment.name not in network.scanner
            for there in segment.networks
            if (home := _of_family(homes, there))
        )
        yield Raised(network=network, names=names, links=links)


def _clear(links: Iterable[str], names: Iterable[str]) -> None:
    with contextlib.suppress(UsageError):
        namespaces.ip([*(f"link del {link}" for link in links), *(f"netns del {name}" for name in names)])


def _lay(
    network: Network, number: int, bridges: str, router: str, names: dict[str, str], slow: dict[str, str]
) -> None:
    """Namespaces, cables and bridges, some cables being there already; then what each station has of its own."""
    lines = [f"netns add {name}" for name in (bridges, router, *names.values())]
    there = ["link set lo up"]
    for i, segment in enumerate(network.segments):
        there += [f"link add b{i} type bridge mcast_snooping 0", f"link set b{i} up"]
        ends = [(f"r{i}", router, f"e{i}")]
        ends += [
            (f"p{k}", names[station.tag], "e0")
            for k, station in enumerate(network.stations)
            if station.segment == segment.name and not station.absent
        ]
        if segment.name in network.scanner:
            lines.append(f"link add n{number}-{i} type veth peer name c{i} netns {bridges}")
            there.append(f"link set c{i} master b{i} up")
        for port, name, end in ends:
            if port in slow:
                lines += [
                    f"link set {port} netns {bridges}",
                    f"link set {slow[port]} netns {name} name {end}",
                ]
            else:
                lines.append(f"link add {port} netns {bridges} type veth peer name {end} netns {name}")
            there.append(f"link set {port} master b{i} up")
    namespaces.ip(lines)
    namespaces.ip(there, bridges)
    lines = ["link set lo up"]
    for i, segment in enumerate(network.segments):
        lines += _up(f"e{i}", segment, map(_first, segment.networks), 1)
    namespaces.ip(lines, router)
    namespaces.run(
        "sh", "-c", "echo 1 > /proc/sys/net/ipv4/ip_forward; echo 1 > /proc/sys/net/ipv6/conf/all/forwarding",
        name=router,
    )  # fmt: skip
    if translated := [i for i, segment in enumerate(network.segments) if segment.translated]:
        rules = "\n".join(f"oifname e{i} masquerade" for i in translated)
        chain = f"chain out {{\ntype nat hook postrouting priority 100;\n{rules}\n}}"
        namespaces.run("nft", "-f", "-", given=f"table inet lab {{\n{chain}\n}}\n", name=router)
    for k, station in enumerate(network.stations, 3):
        if not station.absent:
            segment = network.segment(station.segment)
            own = ["link set lo up", *_up("e0", segment, station.addresses, k)]
            own += [f"route add default via {_first(there)}" for there in segment.networks
                    if _of_family(station.addresses, there)]  # fmt: skip
            namespaces.ip(own, names[station.tag])
            if rules := _rules(station):
                namespaces.run("nft", "-f", "-", given=rules, name=names[station.tag])


def _up(link: str, segment: Segment, addresses: Iterable[str], number: int) -> Iterator[str]:
    """Bring a link up with its addresses, the link-local one made from a number."""
    yield f"link set {link} addrgenmode none"
    yield f"link set {link} up"
    # An address that is still being looked for on the link could not be used for a second (RFC 4862 section 5.4).
    yield f"addr add fe80::{number:x}/64 dev {link} nodad"
    for address in addresses:
        network = next(ip_network(n) for n in segment.networks if ip_address(address) in ip_network(n))
        yield f"addr add {address}/{network.prefixlen} dev {link}" + (
            " nodad" if network.version == 6 else ""
        )


def _of_family(candidates: Sequence[str], like: str) -> str:
    """The candidate of the same family, "" where there is none."""
    return next((one for one in candidates if (":" in one) == (":" in like)), "")


def _first(network: str) -> str:
    return str(ip_network(network)[1])


def _rules(station: Station) -> str:
    """The station's packet filter, for nft(8)."""
    lines = []
    for one in station.filters:
        for version, word in ((4, "ip"), (6, "ip6")):
            if one.family not in (None, version):
                continue
            admits = [a for a in one.admits if ip_network(a).version == version]
            match = f"meta nfproto {'ipv4' if version == 4 else 'ipv6'}"
            for transport in (one.transport,) if one.transport else ("tcp", "udp"):
                ports = (
                    f"{transport} dport {{ {', '.join(map(str, one.ports))} }}"
                    if one.ports
                    else f"meta l4proto {transport}"
                )
                if admits:
                    lines.append(f"{match} {word} saddr {{ {', '.join(admits)} }} {ports} accept")
                refusal = _REFUSALS.get(one.action, "")
                if refusal == "reset":
                    refusal = "tcp reset" if transport == "tcp" else "icmpx port-unreachable"
                lines.append(f"{match} {ports} {f'reject with {refusal}' if refusal else 'drop'}")
    if station.bears:
        lines.append(
            f"tcp flags & (syn|ack) == syn limit rate over {station.bears}/second burst 1 packets drop"
        )
    if not lines:
        return ""
    # Answers to what the station itself begins would be held up by a rule for every port.
    rules = "\n".join(["ct state established,related accept", *lines])
    return f"table inet lab {{\nchain in {{\ntype filter hook input priority 0;\n{rules}\n}}\n}}\n"


class Counted(TypedDict):
    """What has arrived at one station: connections asked for, the most established at once, bytes at ports that print."""

    requests: int
    peak: int
    raw: int


@dataclass(eq=False, kw_only=True)
class Serving:
    """The stations' services, in a process of their own.

    Attributes:
        ca_file: Of the authority that signed their certificates.
    """

    ca_file: Path
    _pid: int
    _ask: int
    _hear: int

    def counted(self) -> dict[str, Counted]:
        """What has arrived at each station's link, by asset tag."""
        os.write(self._ask, b"?")
        said: dict[str, Counted] = json.loads(_line(self._hear))
        return said


@contextlib.contextmanager
def serving(standing: Raised, folder: Path) -> Iterator[Serving]:
    """Serve what the stations declare until the block ends.

    Raises:
        UsageError: A port cannot be bound.
    """
    asked, ask = os.pipe()
    hear, said = os.pipe()
    pid = os.fork()
    if not pid:
        os.close(ask)
        os.close(hear)
        _serve(standing, folder, asked, said)
    os.close(asked)
    os.close(said)
    try:
        first = json.loads(_line(hear) or '{"failed": "it ended before it was ready"}')
        if "failed" in first:
            raise UsageError(f"the network lab cannot start: {first['failed']}")
        yield Serving(ca_file=Path(first["ca_file"]), _pid=pid, _ask=ask, _hear=hear)
    finally:
        os.close(ask)
        os.close(hear)
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)


def _serve(standing: Raised, folder: Path, asked: int, said: int) -> None:
    """The child's whole life; it never returns."""
    status = 1

    def tell(line: Mapping[str, object]) -> None:
        os.write(said, json.dumps(line).encode() + b"\n")

    try:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for whoever started the lab
        stations = [s for s in standing.network.stations if not s.absent]
        lab = Lab([s.device for s in stations], folder, 0)
        arriving = {s.tag: (listening(standing.names[s.tag]), Arrivals(s.addresses)) for s in stations}
        for station in stations:
            with namespaces.inside(standing.names[station.tag]):
                lab.bind_host(station.tag, station.addresses)
        tell({"ca_file": str(lab.ca_file)})
        asyncio.run(_until_closed(lab, arriving, asked, tell))
        status = 0
    except BaseException as exc:  # noqa: BLE001 - the parent must hear of it, and this process must end here
        with contextlib.suppress(OSError):
            tell({"failed": str(exc)})
    finally:
        os._exit(status)


async def _until_closed(
    lab: Lab,
    arriving: dict[str, tuple[socket.socket, Arrivals]],
    asked: int,
    tell: Callable[[Mapping[str, object]], None],
) -> None:
    over, loop = asyncio.Event(), asyncio.get_running_loop()

    def listen(sock: socket.socket, arrivals: Arrivals) -> None:
        with contextlib.suppress(BlockingIOError):
            while True:
                arrivals.take(sock.recv(FRAME))

    def hear() -> None:
        if not os.read(asked, 1):
            over.set()
            return
        counted: dict[str, Counted] = {}
        for tag, (sock, arrivals) in arriving.items():
            listen(sock, arrivals)
            raw = sum(arrivals.received[port] for port in RAW_PRINT)
            counted[tag] = {"requests": arrivals.requests, "peak": arrivals.peak, "raw": raw}
        tell(counted)

    for sock, arrivals in arriving.values():
        loop.add_reader(sock, listen, sock, arrivals)
    loop.add_reader(asked, hear)
    await lab.serve(over)


def _line(descriptor: int) -> bytes:
    said = b""
    while not said.endswith(b"\n") and (data := os.read(descriptor, 65536)):
        said += data
    return said


def write_files(network: Network, folder: Path, grants: Iterable[str] = ()) -> tuple[Path, Path]:
    """Write the inventory of the devices that are listed, and a scope of all segments with these grants, for a scan."""
    inventory, scope = folder / "inventory.yaml", folder / "scope.yaml"
    fleet.write((s.device for s in network.stations if s.device.listed.listed), inventory, network.approved)
    scope.write_text(
        'scope: "hardenprobe.scope/1"\nname: "network lab"\nauthorised_by: "the person who started the lab"\n'
        f"networks: {json.dumps(list(network.networks))}\ngrants: {json.dumps(list(grants))}\n",
        encoding="utf-8",
    )
    return inventory, scope
