"""Networks on which a verdict and the declared truth once differed, as small as they could be made, and why they did."""

from __future__ import annotations

from hardenprobe.demo_lab.network import Filter, Network, Segment
from hardenprobe.demo_lab.network_lab import station
from hardenprobe.demo_lab.service_http import Http
from hardenprobe.demo_lab.service_plain import Telnet
from hardenprobe.demo_lab.service_snmp import Snmp
from hardenprobe.devices.inventory import AllowList

FOUR, SIX = "10.77.1.2", "fd00:77:1::2"
NEAR = Segment(name="s1", networks=("10.77.1.0/24", "fd00:77:1::/64"))
NEXT = Segment(name="s2", networks=("10.77.2.0/24", "fd00:77:2::/64"))

EXAMPLES: dict[str, tuple[Network, tuple[str, ...]]] = {
    # The truth let an IPv6 target be asked though we have no IPv6 address at all.
    "no address of ours in the target's family": (
        Network(
            segments=(NEAR,),
            scanner={"s1": (FOUR,)},
            stations=(station("R-11", "s1", "10.77.1.11", "fd00:77:1::11", services=(Telnet(),)),),
        ),
        (),
    ),
    # The truth forgot that beside a single source of one family the route decides for the other.
    "one source, and an IPv6 address that the device tells of": (
        Network(
            segments=(NEAR,),
            scanner={"s1": (FOUR, SIX)},
            stations=(
                station(
                    "R-11", "s1", "10.77.1.11", unlisted=("fd00:77:1::11",),
                    services=(
                        Telnet(),
                        Snmp(versions=("2c",), communities=("public",), addresses=("10.77.1.11", "fd00:77:1::11")),
                    ),
                ),
            ),
        ),
        (FOUR,),
    ),
    # The truth took the first IPv6 address of a vantage point by route for its only one.
    "two sources, and IPv6 by the route to each link": (
        Network(
            segments=(NEAR, NEXT),
            scanner={"s1": (FOUR, "10.77.1.3", SIX), "s2": ("10.77.2.2", "fd00:77:2::2")},
            stations=(
                station("R-11", "s1", "10.77.1.11", "fd00:77:1::11", services=(Http(),)),
                station(
                    "R-12", "s2", "10.77.2.12", "fd00:77:2::12", services=(Http(),),
                    lists=(AllowList(services=("http",), entries=(SIX,)),),
                    filters=(Filter(action="reset", family=6, transport="tcp", ports=(80,), admits=("fd00:77:2::2",)),),
                ),
            ),
        ),
        (FOUR, "10.77.1.3"),
    ),
}  # fmt: skip
