"""Networks drawn at random, the same again from one seed: addresses, families, sources, filters, lists, translation.

What a scan of one must find follows from its declaration alone; see `truth_network`.
"""

from __future__ import annotations

import random
from dataclasses import replace
from ipaddress import ip_address
from typing import Literal

from hardenprobe.demo_lab.network import Action, Filter, Network, Segment, Station
from hardenprobe.demo_lab.network_lab import station
from hardenprobe.demo_lab.service import Service
from hardenprobe.demo_lab.service_http import Http
from hardenprobe.demo_lab.service_plain import RawPrint, Telnet
from hardenprobe.demo_lab.service_snmp import Snmp
from hardenprobe.devices.inventory import AllowList

PORTS = (23, 80, 9100)
ACTIONS: tuple[Action, ...] = ("drop", "reset", "prohibited")
FAMILIES: tuple[Literal[4, 6] | None, ...] = (None, 4, 6)


def network(seed: int) -> tuple[Network, tuple[str, ...]]:
    """A network, and the sources to scan it from; none where the routes decide."""
    draw = random.Random(seed)
    segments = tuple(_segment(draw, i) for i in range(1, draw.randint(1, 3) + 1))
    homes = draw.sample(segments, draw.randint(1, min(2, len(segments))))
    scanner = {s.name: _own(draw, s) for s in segments if s in homes}
    segments = tuple(replace(s, translated=s.translated and s.name not in scanner) for s in segments)
    ours = [own for s in segments for own in scanner.get(s.name, ())]
    stations = tuple(
        _station(draw, k, draw.choice(segments), ours) for k in range(11, 11 + draw.randint(2, 4))
    )
    net = Network(segments=segments, stations=stations, scanner=scanner, approved=("10.77.0.0/16",))
    listed = [a for s in stations for a in s.device.listed.addresses]
    families = {ip_address(a).version for a in listed}
    usable = [own for own in ours if ip_address(own).version in families]
    sources = draw.sample(usable, min(len(usable), draw.randint(2, 3))) if draw.random() < 0.5 else []
    return net, tuple(sources)


def _segment(draw: random.Random, number: int) -> Segment:
    networks = [f"10.77.{number}.0/24"]
    if draw.random() < 0.6:
        networks.append(f"fd00:77:{number}::/64")
    return Segment(name=f"s{number}", networks=tuple(networks), translated=draw.random() < 0.3)


def _own(draw: random.Random, segment: Segment) -> tuple[str, ...]:
    number = segment.name[1:]
    own = [f"10.77.{number}.{host}" for host in (2, 3)[: draw.randint(1, 2)]]
    return (*own, *(f"fd00:77:{number}::2" for n in segment.networks if ":" in n))


def _station(draw: random.Random, host: int, segment: Segment, ours: list[str]) -> Station:
    number = segment.name[1:]
    four, six = f"10.77.{number}.{host}", f"fd00:77:{number}::{host}"
    addresses = (
        [four] if len(segment.networks) < 2 else draw.choice([[four], [six], [four, six], [four, six]])
    )
    unlisted = [six] if len(segment.networks) > 1 and addresses == [four] and draw.random() < 0.6 else []
    services: list[Service] = [s for s in (Telnet(), Http(), RawPrint()) if draw.random() < 0.6]
    if draw.random() < 0.4:
        stated = (*addresses, *unlisted, "192.0.2.9")
        services.append(Snmp(versions=("2c",), communities=("public",), addresses=stated))
    lists = (_list(draw, ours),) if draw.random() < 0.6 else ()
    made = station(
        f"R-{host}", segment.name, *addresses, services=tuple(services), lists=lists, unlisted=tuple(unlisted),
        filters=tuple(_filter(draw, ours) for _ in range(draw.choice([0, 1, 1, 2, 3]))),
        absent=draw.random() < 0.08,
    )  # fmt: skip
    return made


def _list(draw: random.Random, ours: list[str]) -> AllowList:
    entries = draw.sample(ours, draw.randint(1, len(ours)))
    return AllowList(
        services=draw.choice([("http",), ("telnet",), ("http", "telnet")]), entries=tuple(entries)
    )


def _filter(draw: random.Random, ours: list[str]) -> Filter:
    ports = None if draw.random() < 0.2 else tuple(draw.sample(PORTS, draw.randint(1, 2)))
    return Filter(
        action=draw.choice(ACTIONS),
        family=draw.choice(FAMILIES),
        transport=None if ports is None else "tcp",
        ports=ports,
        admits=tuple(draw.sample(ours, draw.randint(0, len(ours) - 1))),
    )
