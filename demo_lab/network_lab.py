"""The network lab that ships: what each station is there to show stands beside it."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

from hardenprobe.demo_lab.declarations import Lab, Virtual
from hardenprobe.demo_lab.network import Filter, Network, Segment, Station
from hardenprobe.demo_lab.service import Service
from hardenprobe.demo_lab.service_http import Http
from hardenprobe.demo_lab.service_plain import RawPrint, Silent, Telnet
from hardenprobe.demo_lab.service_snmp import Snmp
from hardenprobe.devices.inventory import AllowList, Listed

ADMITTED, OTHER, ADMITTED_V6 = "10.77.1.2", "10.77.1.3", "fd00:77:1::2"
OFFICE, STORE, YARD = "office", "store", "yard"
WEB_LIST = AllowList(services=("http", "telnet"), entries=(ADMITTED,))


def station(
    tag: str,
    segment: str,
    *addresses: str,
    services: tuple[Service, ...] = (),
    lists: tuple[AllowList, ...] = (),
    filters: tuple[Filter, ...] = (),
    unlisted: tuple[str, ...] = (),
    absent: bool = False,
    listed: bool = True,
) -> Station:
    """A station with the least that it takes."""
    return Station(
        device=Virtual(
            listed=Listed(
                asset_tag=tag, addresses=addresses, kind="printer", allow_lists=lists, listed=listed
            ),
            lab=Lab(model="Printer, series N"),
            services=services,
        ),
        segment=segment,
        filters=filters,
        unlisted=unlisted,
        absent=absent,
    )


def _both(segment: int, host: int) -> tuple[str, str]:
    return f"10.77.{segment}.{host}", f"fd00:77:{segment}::{host}"


NETWORK = Network(
    segments=(
        Segment(name=OFFICE, networks=("10.77.1.0/24", "fd00:77:1::/64")),
        Segment(name=STORE, networks=("10.77.2.0/24", "fd00:77:2::/64")),
        Segment(name=YARD, networks=("10.77.3.0/24", "fd00:77:3::/64")),
    ),
    scanner={OFFICE: (ADMITTED, OTHER, ADMITTED_V6), STORE: ("10.77.2.2", "fd00:77:2::2")},
    approved=("10.77.1.0/24",),
    stations=(
        # A list that the device keeps for IPv4 by dropping, and forgets for Telnet and for IPv6.
        station(
            "NW-01", OFFICE, *_both(1, 21), services=(Telnet(), Http()), lists=(WEB_LIST,),
            filters=(Filter(action="drop", family=4, transport="tcp", ports=(80, 443, 631, 9100), admits=(ADMITTED,)),),
        ),
        # The same list, kept for all of it.
        station(
            "NW-02", OFFICE, *_both(1, 22), services=(Telnet(), Http()), lists=(WEB_LIST,),
            filters=(
                Filter(action="drop", family=4, transport="tcp", ports=(23, 80), admits=(ADMITTED,)),
                Filter(action="drop", family=6, transport="tcp", ports=(23, 80)),
            ),
        ),
        # The same list, which locks out whom it admits.
        station(
            "NW-03", OFFICE, "10.77.1.23", services=(Telnet(), Http()), lists=(WEB_LIST,),
            filters=(Filter(action="drop", family=4, transport="tcp", ports=(80,), admits=(OTHER,)),),
        ),
        # On the second link, of no matter to the first: what its own route decides.
        station("NW-04", STORE, "10.77.2.24", services=(Telnet(), Http(), Snmp(versions=("1", "2c"), communities=("public",)), RawPrint())),
        # First ports and SNMP are filtered, Telnet was forgotten.
        station(
            "NW-05", STORE, "10.77.2.25", services=(Telnet(),),
            filters=(
                Filter(action="drop", transport="tcp", ports=(80, 443, 631, 9100)), Filter(action="drop", transport="udp"),
            ),
        ),
        station("NW-06", STORE, "10.77.2.26", services=(Telnet(),), filters=(Filter(action="reset", ports=(23,)),)),
        station("NW-07", STORE, "10.77.2.27", services=(Telnet(), Http()), filters=(Filter(action="prohibited", ports=(23,)),)),
        # Behind the router.
        station("NW-08", YARD, *_both(3, 28), services=(Telnet(), Http()), lists=(WEB_LIST,)),
        station("NW-09", YARD, "10.77.3.29", services=(Http(),), filters=(Filter(action="drop"),)),
        # Hardened on IPv4, open on an IPv6 address that nobody listed.
        station(
            "NW-10", OFFICE, "10.77.1.30", unlisted=("fd00:77:1::30",),
            services=(
                Telnet(), Http(),
                Snmp(versions=("2c",), communities=("public",), addresses=("10.77.1.30", "fd00:77:1::30", "192.0.2.30")),
            ),
            filters=(Filter(action="drop", family=4, transport="tcp", ports=(23,)),),
        ),
        station("NW-11", STORE, "10.77.2.31", absent=True),
        station("NW-12", YARD, "10.77.3.32", absent=True),
        # Accepts everywhere and says nothing.
        station("NW-13", STORE, "10.77.2.33", services=tuple(Silent(port=port) for port in (21, 22, 23, 80, 443, 631, 8080))),
    ),
)  # fmt: skip


# A range behind a router: Telnet on a device that drops what is asked first, and one that drops everything.
RANGE = Network(
    segments=(
        Segment(name=OFFICE, networks=("10.77.1.0/24",)),
        Segment(name=YARD, networks=("10.77.3.0/24",)),
    ),
    scanner={OFFICE: (ADMITTED,)},
    stations=(
        station(
            "NR-01", YARD, "10.77.3.21", services=(Telnet(),), listed=False,
            filters=(
                Filter(action="drop", transport="tcp", ports=(80, 443, 631, 9100)), Filter(action="drop", transport="udp"),
            ),
        ),
        station("NR-02", YARD, "10.77.3.22", services=(Telnet(),), listed=False, filters=(Filter(action="drop"),)),
    ),
)  # fmt: skip

_SERVES = (Telnet(), Http(), RawPrint(), Snmp(versions=("2c",), communities=("public",)))

# Devices that are far, that requests do not always reach, or that bear few of them; beside each, one that filters as well.
STRAINED = Network(
    segments=(Segment(name=OFFICE, networks=("10.77.1.0/24",)),),
    scanner={OFFICE: (ADMITTED,)},
    approved=("10.77.1.0/24",),
    stations=tuple(
        replace(
            station(
                f"NS-{host}",
                OFFICE,
                f"10.77.1.{host}",
                services=_SERVES,
                filters=(Filter(action="drop", transport="tcp", ports=(80, 631)),) if filtered else (),
            ),
            delay=delay,
            loss=loss,
            bears=bears,
        )
        for host, (filtered, (delay, loss, bears)) in enumerate(
            product(
                (False, True), ((0.15, 0, None), (0.15, 5, None), (0.3, 0, None), (0.0, 5, None), (0.0, 0, 2))
            ),
            21,
        )
    ),
)
