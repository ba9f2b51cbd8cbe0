"""What else a device is known to be at: addresses that it, its mDNS answers, the link or a name server tell of, and nobody planned."""

from __future__ import annotations

from ipaddress import ip_address

from hardenprobe.devices.inventory import Inventory, Listed
from hardenprobe.facts import OtherAddress, SnmpObjects
from hardenprobe.model import Reach
from hardenprobe.network.link import DeviceLink
from hardenprobe.planning import local_links
from hardenprobe.planning.plan import Plan
from hardenprobe.probes.base import ProbeContext
from hardenprobe.probes.discovery.mdns import NamedAddress
from hardenprobe.probes.dns import NAME_LIMIT
from hardenprobe.scanning.name_server import HOST_NAME, NameServer

MOST_NAMES = 4  # of one device that a name server is asked for
MOST = 8  # addresses of one device that are assessed beside the planned ones


async def told(asked: ProbeContext, inventory: Inventory, server: NameServer) -> list[OtherAddress]:
    """Each with its source, and why it is not assessed where it is not; of a silent device what the name server says."""
    here, plan = asked.line.address, asked.plan
    sources: dict[str, str] = {}
    if asked.answered:
        for seen in asked.of(SnmpObjects):
            sources |= dict.fromkeys(seen.facts.addresses, "snmp")
        sources = dict.fromkeys(asked.notes(NamedAddress), "mdns") | sources
        sources = dict.fromkeys(local_links.same_neighbour(here, local_links.neighbours()), "link") | sources
    for name in listed_names(plan, asked.listed):
        sources = dict.fromkeys(await server.addresses(name), "dns") | sources
    others = [a for a in sources if _is_anywhere(a) and a != here and a not in plan.wanted]
    return [
        OtherAddress(address=a, told_by=sources[a], left_out=_left_out(a, here, plan, inventory))
        for a in sorted(others, key=lambda a: (":" in a, a))[:MOST]
    ]


def listed_names(plan: Plan, listed: Listed | None) -> list[str]:
    """The names of a device that the scope's name server is asked for, none where the scope names no server."""
    may = plan.scope.name_server and plan.reach.admits(Reach.ASK) and not plan.shares
    names = listed.names if listed and may else ()
    return [name for name in names if len(name) < NAME_LIMIT and HOST_NAME.fullmatch(name)][:MOST_NAMES]


def _left_out(address: str, here: str, plan: Plan, inventory: Inventory) -> str | None:
    """Why an address that was not planned is not assessed; None where it is."""
    scope = plan.scope
    listed = inventory.by_address
    if not scope.other_addresses or plan.shares:
        return "the scan asks planned addresses only"
    if address not in scope.allowed:
        return "outside the scope"
    if listed.get(address, listed.get(here)) is not listed.get(here):
        return "listed as another device"
    if scope.sources is not None:
        ours = DeviceLink(address=address, permit=scope).own_address()
        if ours is None or ours not in scope.sources:
            return "our source there is none of the testers' addresses"
    return None


def _is_anywhere(address: str) -> bool:
    """An address that a device can be met at without knowing a zone, and that is its own."""
    known = ip_address(address)
    return not (known.is_loopback or known.is_link_local or known.is_multicast or known.is_unspecified)
