"""From targets to addresses: what a scan will visit, decided before a packet leaves.

A plan holds ranges, never a list of addresses, so that a /8 costs no memory.
"""

from __future__ import annotations

import re
import socket
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from ipaddress import IPv4Address, IPv6Address, ip_address
from pathlib import Path
from typing import Any

from hardenprobe.addresses.sets import AddressSet, IpAddress, parse_entry, parse_network
from hardenprobe.errors import FileInvalid, ScopeRefused, UsageError, clip
from hardenprobe.model import Authorisation, Reach, Vantage
from hardenprobe.model.document import digest
from hardenprobe.model.yaml_file import read_text
from hardenprobe.planning.local_links import ends
from hardenprobe.scope.limits import Timing, TlsEnumeration
from hardenprobe.scope.ports import FIRST_PORTS
from hardenprobe.scope.scope import MULTICAST, Scope
from hardenprobe.scope.web_paths import WebPaths

WIDEST_V6 = 1 << 16  # addresses: no IPv6 sweep is wider than a /112


@dataclass(frozen=True, kw_only=True)
class Target:
    """One thing that was asked for.

    Attributes:
        text: As written.
        first, last: Inclusive.
        name: The name that was looked up, where it was one.
    """

    text: str
    first: IpAddress
    last: IpAddress
    name: str | None = None

    @property
    def count(self) -> int:
        return int(self.last) - int(self.first) + 1


@dataclass(frozen=True, kw_only=True)
class AddressPlan:
    """What is asked at one address, where a plan does not ask the same everywhere.

    Attributes:
        kinds: The kinds of facts that are wanted there.
    """

    tcp_ports: tuple[int, ...]
    udp_ports: tuple[int, ...]
    kinds: frozenset[str]


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What a change board would sign: who is asked, at which ports, how far.

    Attributes:
        names: Address text to the names by which it was asked for.
        timing: Waits and ceilings; never looser than the scope's own, whatever was given.
        port_offset: Added to every port at the door; 0 outside a lab.
        tls_second_opinion: Have another implementation enumerate the suites too.
        tls_suites: How suites are enumerated; None for by classes at devices marked fragile, completely elsewhere.
        packet_headers: Keep those of the packets that decide a port's state, where the process may capture; it sends nothing.
        secrets: What the fleet's own secrets are called; their values are in no plan.
        inventory: Digest of the inventory: it declares ports to speak to, fragile devices, and who is sent a secret.
        plugged: Where checks and probes that are not ours came from; their code runs, and decides what is sent.
        first_ports: TCP ports that tell whether anybody is at an address; those of them that are planned.
        shares: By address, where less is asked there than of everybody.
        nobodys: Those of the targets that are network or broadcast addresses of links of this machine, and no devices.
    """

    targets: tuple[Target, ...]
    tcp_ports: tuple[int, ...]
    udp_ports: tuple[int, ...]
    reach: Reach
    scope: Scope
    vantages: tuple[Vantage, ...]
    checks: frozenset[str]
    communities: tuple[str, ...]
    http_paths: tuple[str, ...]
    web: WebPaths = field(default_factory=WebPaths)
    timing: Timing = field(default_factory=Timing)
    port_offset: int = 0
    tls_second_opinion: bool = False
    tls_suites: TlsEnumeration | None = None
    packet_headers: bool = True
    secrets: tuple[str, ...] = ()
    inventory: str = ""
    plugged: tuple[str, ...] = ()
    first_ports: tuple[int, ...] = FIRST_PORTS
    shares: Mapping[str, AddressPlan] = field(default_factory=dict)
    nobodys: AddressSet = field(default_factory=ends)

    def __post_init__(self) -> None:
        object.__setattr__(self, "timing", self.scope.gentleness.tighten(self.timing))
        object.__setattr__(self, "nobodys", self.nobodys & self.asked)

    def at(self, address: str) -> Plan:
        """The plan as it holds at one address."""
        share = self.shares.get(address)
        if share is None:
            return self
        return replace(self, tcp_ports=share.tcp_ports, udp_ports=share.udp_ports)

    @property
    def count(self) -> int:
        """How many addresses will be visited, before exclusions inside ranges are taken off."""
        return (self.asked - self.nobodys).count

    @property
    def authorisation(self) -> Authorisation:
        """What allows it, for the record."""
        return self.scope.authorisation(self.timing)

    def granted(self, name: str, reach: Reach) -> bool:
        """Tell whether it goes as far as `reach`, and the scope grants that for a check or another thing by name."""
        return self.reach.admits(reach) and self.scope.granted(name, reach)

    @property
    def wanted(self) -> AddressSet:
        """Every address that will be visited: the targets without what the scope excludes and what belongs to no device."""
        return self.asked - self.scope.exclude - self.nobodys

    @property
    def asked(self) -> AddressSet:
        """Every address that was asked for."""
        return AddressSet.of(f"{target.first}-{target.last}" for target in self.targets)

    @property
    def may_be_asked(self) -> AddressSet:
        """Every address that may be asked in the end: with the scope's networks, where further addresses are assessed."""
        return self.asked | self.scope.networks if self.scope.other_addresses else self.asked

    def wanted_from(self, vantage: Vantage) -> AddressSet:
        """Those that will be visited from one vantage point."""
        wanted = self.wanted & AddressSet.of(vantage.networks) if vantage.networks else self.wanted
        return AddressSet(
            v4=wanted.v4 if "ipv4" in vantage.families else (),
            v6=wanted.v6 if "ipv6" in vantage.families else (),
        )

    @property
    def visits(self) -> int:
        """How many visits that makes from all vantage points."""
        return sum(self.wanted_from(vantage).count for vantage in self.vantages)

    @property
    def names(self) -> dict[str, tuple[str, ...]]:
        found: dict[str, tuple[str, ...]] = {}
        for target in self.targets:
            if target.name:
                key = str(target.first)
                found[key] = (*found.get(key, ()), target.name)
        return found

    def expected(self, listed: Iterable[str] = ()) -> AddressSet:
        """The addresses of the plan at which a device is expected: of the inventory, or a target by itself.

        Args:
            listed: Addresses of the inventory.
        """
        alone = [str(target.first) for target in self.targets if target.count == 1]
        return AddressSet.of([*alone, *listed]) & self.wanted

    @property
    def hash(self) -> str:
        """Digest of its document."""
        return digest(self.document)

    @property
    def document(self) -> dict[str, Any]:
        """All that decides what is sent to whom, and what allows it, in plain JSON types."""
        shares = {
            address: [share.tcp_ports, share.udp_ports, sorted(share.kinds)]
            for address, share in self.shares.items()
        }
        return {
            **({"shares": shares} if shares else {}),
            **({"clock_reference": self.scope.clock_reference} if self.scope.clock_reference else {}),
            **({"name_server": self.scope.name_server} if self.scope.name_server else {}),
            **({"first_ports": self.first_ports} if self.first_ports != FIRST_PORTS else {}),
            "targets": [[str(t.first), str(t.last), t.name] for t in self.targets],
            "tcp": self.tcp_ports,
            "udp": self.udp_ports,
            "reach": self.reach,
            "scope": self.scope.name,
            "other_addresses": self.scope.other_addresses,
            "authorisation": asdict(self.authorisation),
            "vantages": [
                [v.name, v.source, v.families, *([v.networks] if v.networks else [])] for v in self.vantages
            ],
            "checks": sorted(self.checks),
            "communities": self.communities,
            "paths": self.http_paths,
            "web": asdict(self.web),
            "port_offset": self.port_offset,
            "tls_second_opinion": self.tls_second_opinion,
            **({"tls_suites": self.tls_suites} if self.tls_suites else {}),
            "secrets": self.secrets,
            "inventory": self.inventory,
            "skipped": self.nobodys.cover(),
            "plugged": self.plugged,
        }


def targets(texts: Iterable[str]) -> tuple[Target, ...]:
    """Read targets: an address, a name, a CIDR block, first-last, or @file.

    Raises:
        UsageError: One cannot be read, is too wide, or its name does not resolve.
        FileInvalid: The same inside an @file, with its line.
    """
    found: list[Target] = []
    for text in texts:
        if text.startswith("@"):
            found.extend(_from_file(Path(text[1:])))
        else:
            found.extend(_target(text))
    return tuple(found)


def _from_file(path: Path) -> Iterator[Target]:
    """One target a line; or CSV whose header has a column `address` or `addresses`."""
    lines = read_text(path).splitlines()
    header = [cell.strip().lower() for cell in lines[0].split(",")] if lines else []
    column = next((i for i, cell in enumerate(header) if cell in ("address", "addresses", "target")), None)
    for number, line in enumerate(lines, 1):
        text = line.split("#", 1)[0].strip()
        if column is not None:
            cells = [] if number == 1 else text.split(",")
            text = cells[column].strip().strip('"') if column < len(cells) else ""
        try:
            for word in text.replace(";", " ").split() if text else ():
                yield from _target(word)
        except UsageError as exc:
            raise FileInvalid(str(path), number, str(exc)) from None


def _target(text: str) -> Iterator[Target]:
    if "/" in text:
        try:
            network = parse_network(text)
        except ValueError as exc:
            raise UsageError(f"target {exc}") from None
        first, last = network[0], network[-1]
        # A known link's network and broadcast addresses are no devices (RFC 3021 exempts /31).
        if network.version == 4 and network.prefixlen < 31:
            first, last = network[1], network[-2]
        yield _range(text, first, last)
        return
    try:
        entry = parse_entry(text)
    except ValueError as exc:
        if _looks_numeric(text):
            raise UsageError(
                f"target {exc}; write an address, a name, a block such as 192.0.2.0/24, first-last, or @file"
            ) from None
        yield from _named(text)
        return
    make = IPv4Address if entry.version == 4 else IPv6Address
    yield _range(text, make(entry.first), make(entry.last))


def _range(text: str, first: IpAddress, last: IpAddress) -> Target:
    target = Target(text=text, first=first, last=last)
    if first.version == 6 and target.count > WIDEST_V6:
        raise UsageError(
            f"target {clip(text)} is wider than a /112; an IPv6 sweep has no end, so list the addresses"
        )
    if AddressSet.of([f"{first}-{last}"]) & MULTICAST:
        raise UsageError(
            f"target {clip(text)} is multicast, which is no device: name the devices, or the block they are in"
        )
    return target


def _looks_numeric(text: str) -> bool:
    letters = set(text.lower()) - set("0123456789.:-")
    return not letters or ":" in text or not all(part.strip("-") for part in text.split("."))


def _named(name: str) -> Iterator[Target]:
    """Look a name up, once; every answer becomes a target and is pinned."""
    if any(c not in "abcdefghijklmnopqrstuvwxyz0123456789-._" for c in name.lower()):
        raise UsageError(
            f"target {clip(name)} is neither an address nor a name; "
            "write an address, a name, a block such as 192.0.2.0/24, first-last, or @file"
        )
    try:
        answers = socket.getaddrinfo(name, None, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as exc:
        reason = getattr(exc, "strerror", None) or "not a valid name"
        raise UsageError(
            f"target {clip(name)} does not resolve: {reason}; check the spelling, or give its address"
        ) from exc
    for text in sorted({str(info[4][0]).split("%")[0] for info in answers}):
        ip = ip_address(text)
        yield Target(text=name, first=ip, last=ip, name=name)


def check_scope(plan: Plan, *, now: bool = True) -> None:
    """Refuse a plan that leaves the scope, before a packet leaves.

    Args:
        now: The scan begins now, so the hour matters too; a plan can be drawn up at any hour.

    Raises:
        ScopeRefused: The first address, reach, source or hour that is not granted.
    """
    if now:
        plan.scope.check_now()
    plan.scope.check_reach(plan.reach)
    for target in plan.targets:
        wanted = AddressSet.of([f"{target.first}-{target.last}"])
        outside = wanted - plan.scope.networks
        if outside:
            plan.scope.check_address(str(outside.first()))
        if not wanted - plan.scope.exclude:
            raise ScopeRefused(f"{target.text} is excluded by scope {plan.scope.name!r}", str(target.first))
        if not wanted - plan.nobodys:
            raise ScopeRefused(
                f"{target.text} is the network or broadcast address of a link of this machine, and no device",
                str(target.first),
            )
    for vantage in plan.vantages:
        if vantage.source:
            plan.scope.check_source(vantage.source)


def parse_ports(text: str) -> tuple[int, ...]:
    """Read a list of ports: "21,23,9100-9107".

    Raises:
        UsageError: Something in it is no port.
    """
    found: set[int] = set()
    for part in text.split(","):
        match = re.fullmatch(r"([0-9]{1,9})(?:-([0-9]{1,9}))?", part.strip())
        if match is None:
            raise UsageError(f"--ports has {clip(part)}, expected numbers such as 21,23,9100-9107")
        first, last = int(match[1]), int(match[2] or match[1])
        if not 1 <= first <= last <= 65535:
            raise UsageError(f"--ports has {clip(part)}, expected 1 to 65535, the lower one first")
        found.update(range(first, last + 1))
    return tuple(sorted(found))
