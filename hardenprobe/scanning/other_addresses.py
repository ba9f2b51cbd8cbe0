"""What else a device is known to be at: addresses that it, its mDNS answers or the link tell of, and nobody planned."""

from __future__ import annotations

from ipaddress import ip_address

from hardenprobe.devices.inventory import Inventory
from hardenprobe.facts import OtherAddress, SnmpObjects
from hardenprobe.network.link import DeviceLink
from hardenprobe.planning import local_links
from hardenprobe.planning.plan import Plan
from hardenprobe.probes.base import ProbeContext

MOST = 8  # addresses of one device that are assessed beside the planned ones


def told(asked: ProbeContext, inventory: Inventory) -> list[OtherAddress]:
    """Each with its source, and why it is not assessed where it is not."""
    here, plan = asked.line.address, asked.plan
    sources: dict[str, str] = {}
    for seen in asked.of(SnmpObjects):
        sources |= dict.fromkeys(seen.facts.addresses, "snmp")
    sources = dict.fromkeys(asked.addresses, "mdns") | sources
    sources = dict.fromkeys(local_links.same_neighbour(here, local_links.neighbours()), "link") | sources
    others = [a for a in sources if _is_anywhere(a) and a != here and a not in plan.wanted]
    return [
        OtherAddress(address=a, told_by=sources[a], left_out=_left_out(a, here, plan, inventory))
        for a in sorted(others, key=lambda a: (":" in a, a))[:MOST]
    ]


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
