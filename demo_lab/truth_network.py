"""What a scan of a network must find, from the declaration alone: the fate of every question, and the verdicts it leads to.

The heart is the matrix address x source x service. All of it is reckoned with the standard library and with tables, so
that a fault in hardenprobe's own code would show.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from ipaddress import ip_address, ip_network
from typing import Literal

from hardenprobe.demo_lab.network import Network, Segment, Station
from hardenprobe.demo_lab.service_snmp import Snmp
from hardenprobe.demo_lab.truth import WORDS
from hardenprobe.model import Review

Fate = Literal["open", "refusing", "silent"]
Place = tuple[str, int] | None  # address and TCP port; None for the device as a whole


@dataclass(frozen=True, order=True)
class Verdict:
    """What a check must say of a station from a vantage point."""

    vantage: str
    station: str
    check: str
    place: Place
    word: str


CHECKS = frozenset(
    {"cleartext-telnet", "allow-list-not-enforced", "allow-list-locks-out", "allow-list-ipv6-bypass"}
)


def said(review: Review) -> set[Verdict]:
    """What a review says of those that were met, in the words of this module."""
    missed = {m.asset_tag for m in review.coverage.listed_not_seen}
    tags = {d.id: d.label for d in review.devices if d.label not in missed}
    return {
        Verdict(
            r.vantage,
            tags[r.device],
            r.check,
            (r.endpoint.address, r.endpoint.port) if r.endpoint else None,
            str(r.result),
        )
        for r in review.results
        if r.check in CHECKS and r.device in tags
    }


@dataclass(frozen=True)
class Asking:
    """A vantage point: the source that was given for it, if one was, and the families that it asks ("ipv4", "ipv6")."""

    source: str | None
    families: Collection[str]


def asking(review: Review, sources: Sequence[str]) -> dict[str, Asking]:
    """The vantage points of a review by name, from the sources that were given to the scan."""
    alone = next(iter(sources), None) if len(sources) < 2 else None
    return {v.name: Asking(v.name if v.name in sources else alone, v.families) for v in review.vantages}


def source_of(network: Network, address: str, by: Asking) -> str | None:
    """Our address that asks there: the given one in its own family, else the one on the route; None for none."""
    version = ip_address(address).version
    if f"ipv{version}" not in by.families:
        return None
    if by.source and ip_address(by.source).version == version:
        return by.source
    homes = [
        (segment, own)
        for segment in network.segments
        for own in network.scanner.get(segment.name, ())
        if ip_address(own).version == version
    ]
    near = [own for segment, own in homes if _on(segment, address)]
    return next(iter(near or [own for _, own in homes]), None)


def _on(segment: Segment, address: str) -> bool:
    return any(ip_address(address) in ip_network(n) for n in segment.networks)


def seen_as(network: Network, address: str, source: str) -> str:
    """What a station takes our source for: a translator on the way there puts its own in its place."""
    segment = next(s for s in network.segments if _on(s, address))
    if not segment.translated or segment.name in network.scanner:
        return source
    there = next(
        ip_network(n) for n in segment.networks if ip_network(n).version == ip_address(source).version
    )
    return str(there[1])


def fate(station: Station, address: str, source: str, transport: Literal["tcp", "udp"], port: int) -> Fate:
    """What becomes of a question."""
    if station.absent:
        return "silent"
    for one in station.filters:
        if one.fits(address, transport, port):
            if one.turns_away(source):
                return "refusing" if one.action == "reset" else "silent"
            break
    here = any((s.transport, s.port) == (transport, port) for s in station.device.services)
    return "open" if here else "refusing"


@dataclass(frozen=True)
class _View:
    """One station from one vantage point: address to the source that asks there, None for an address that is not asked."""

    station: Station
    asked: dict[str, str | None]
    tcp_ports: tuple[int, ...]
    network: Network

    @property
    def on_link(self) -> bool:
        return self.station.segment in self.network.scanner

    def fate(self, address: str, port: int, transport: Literal["tcp", "udp"] = "tcp") -> Fate:
        source = self.asked[address]
        if source is None:
            return "silent"
        return fate(self.station, address, seen_as(self.network, address, source), transport, port)

    @property
    def alive(self) -> bool:
        """Something answers, were it that a port is closed."""
        return any(self.fate(a, p) != "silent" for a in self.asked for p in self.tcp_ports) or any(
            self.fate(a, 161, "udp") != "silent" for a in self.asked
        )

    def open(self, port: int) -> list[str]:
        return [a for a in self.asked if self.fate(a, port) == "open"]


def verdicts(
    network: Network,
    vantages: Mapping[str, Asking],
    tcp_ports: tuple[int, ...],
    planned: Collection[str] | None = None,
) -> Iterator[Verdict]:
    """Every verdict of the checks that stand on who reaches what.

    Args:
        vantages: By name.
        planned: The addresses of the scan; all that are listed by default.
    """
    for station in network.stations:
        known = [a for a in station.device.listed.addresses if planned is None or a in planned]
        known += _stated(network, station, known, vantages.values())
        views = {
            name: _View(
                station,
                {a: source_of(network, a, given) for a in known},
                tcp_ports,
                network,
            )
            for name, given in vantages.items()
        }
        if not any(view.alive for view in views.values()):
            continue  # nobody was met, so nothing is said of it but that
        for name, view in views.items():
            for check, place, word in (*_telnet(view), *_lists(name, views), *_bypass(name, views)):
                yield Verdict(name, station.tag, check, place, word)


def _stated(
    network: Network, station: Station, planned: Sequence[str], vantages: Collection[Asking]
) -> list[str]:
    """What its agent says it has besides, where some source of ours may ask it and may go there (RFC 4293)."""
    agents = [
        s for s in station.device.services if isinstance(s, Snmp) and {"public", "private"} & {*s.communities}
    ]
    asking = [(a, source_of(network, a, given)) for given in vantages for a in planned]
    if not any(s and fate(station, a, seen_as(network, a, s), "udp", 161) == "open" for a, s in asking):
        return []
    inside = [ip_network(n) for n in network.networks]
    stated = dict.fromkeys(a for agent in agents for a in agent.addresses if a not in planned)
    return [a for a in stated if any(ip_address(a) in n for n in inside)]


def _telnet(view: _View) -> Iterator[tuple[str, Place, str]]:
    """RFC 854 is spoken on any port that is looked at."""
    ports = [
        s.port for s in view.station.device.services if s.speaks == "telnet" and s.port in view.tcp_ports
    ]
    found = [(a, p) for p in ports for a in view.open(p)]
    for place in found:
        yield "cleartext-telnet", place, "fail"
    mute = [s.port for s in view.station.device.services if s.speaks == "silent" and view.open(s.port)]
    if not found:
        missing = None in view.asked.values()
        yield "cleartext-telnet", None, "unknown" if missing or mute or not view.alive else "pass"


def _admitted(station: Station, word: str, source: str) -> bool | None:
    """Whether the declared lists of a service admit a source; None without a list."""
    lists = [one for one in station.device.listed.allow_lists if word in one.services and one.entries]
    if not lists:
        return None
    return any(ip_address(source) in ip_network(e) for one in lists for e in one.entries)


def _lists(name: str, views: dict[str, _View]) -> Iterator[tuple[str, Place, str]]:
    """The matrix: what each address does to each source, against the declared list.

    A service that serves nobody anywhere is off, and no list of it can be tried.
    """
    view = views[name]
    station = view.station
    inside, outside = [], []
    for word in dict.fromkeys(s for one in station.device.listed.allow_lists for s in one.services):
        for port in (p for t, p in WORDS[word] if t == "tcp" and p in view.tcp_ports):
            served = any(v.open(port) for v in views.values())
            for address, source in view.asked.items():
                if source is None:
                    continue
                became = view.fate(address, port)
                if became == "refusing" and not served:
                    continue  # off
                # A router stands between, and nobody has said that it translates nothing.
                certain = view.on_link
                dropped = became == "silent" and (view.alive or served)
                if _admitted(station, word, source):
                    turned = "fail" if certain and (became == "refusing" or dropped) else "unknown"
                    inside.append(((address, port), "pass" if became == "open" else turned))
                elif became == "open":
                    outside.append(((address, port), "fail" if certain else "unknown"))
                else:
                    outside.append(
                        ((address, port), "pass" if became == "refusing" or dropped else "unknown")
                    )
    for check, told in (("allow-list-locks-out", inside), ("allow-list-not-enforced", outside)):
        for place, said in told:
            yield check, place, said
        if not told:
            yield check, None, "notapplicable"


def _bypass(name: str, views: dict[str, _View]) -> Iterator[tuple[str, Place, str]]:
    """Where IPv4 turns us away, what IPv6 does; where none of ours asks over IPv4, what it does to the others."""
    view = views[name]
    sixes = {a: s for a, s in view.asked.items() if ":" in a}
    fours = [(v, a) for v in views.values() for a, s in v.asked.items() if s and ":" not in a]
    mine = [(v, a) for v, a in fours if v is view]
    told = alike = 0
    for port in view.tcp_ports:
        word = next((w for w, places in WORDS.items() if ("tcp", port) in places), "")
        became = [v.fate(a, port) for v, a in mine or fours]
        served = became.count("open")
        if served == len(became) or (mine and served):
            continue
        for address, source in sixes.items():
            if source is None:
                continue
            told += 1
            admitted = _admitted(view.station, word, source)
            if view.fate(address, port) != "open" or admitted:
                alike += 1
            else:
                yield (
                    "allow-list-ipv6-bypass",
                    (address, port),
                    "unknown" if served and admitted is None else "fail",
                )
    if alike == told:
        both = len({":" in a for a in view.asked}) > 1
        missing = both and None in (view.asked if told else sixes).values()
        word = "unknown" if missing else "pass" if told else "notapplicable"
        yield "allow-list-ipv6-bypass", None, word
