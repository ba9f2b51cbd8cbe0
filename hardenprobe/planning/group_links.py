"""On which links of this machine multicast groups may be asked, and from which of our addresses."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from ipaddress import ip_address

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.errors import ScopeRefused
from hardenprobe.model import Vantage
from hardenprobe.planning import local_links
from hardenprobe.planning.local_links import OwnAddress
from hardenprobe.planning.plan import Plan


def links(plan: Plan, vantage: Vantage) -> Iterator[tuple[str, str, AddressSet]]:
    """Links that the scope grants and the plan has addresses on: name, our address of a family, and networks.

    A vantage point whose source is on another link sees only that one.
    """
    own = [one for one in local_links.own_addresses() or () if one.state == "up"]
    for name in dict.fromkeys(one.link for one in own):
        here = [one for one in own if one.link == name]
        members = AddressSet.of(str(one.network) for one in here if not one.network.is_link_local)
        if not plan.scope.grants_link(name) or not plan.wanted & members:
            continue
        for version, family in ((4, "ipv4"), (6, "ipv6")):
            if family in vantage.families and (source := _source(here, version, plan, vantage)):
                yield name, source, members


def _source(here: Sequence[OwnAddress], version: int, plan: Plan, vantage: Vantage) -> str | None:
    """Our address of a family on a link: the vantage point's, else the first that the scope allows, link-local ones first.

    Groups of IPv6 need a link of more than this machine.
    """
    ours = sorted(
        (one.address for one in here if one.address.version == version), key=lambda a: not a.is_link_local
    )
    if vantage.source and (given := ip_address(vantage.source)).version == version:
        ours = [given] if any(given in one.network for one in here) else []  # all of 127.0.0.0/8 is ours
    for address in map(str, ours):
        if address == "::1":
            continue
        try:
            if plan.scope.sources is not None:
                plan.scope.check_source(address)
        except ScopeRefused:
            continue
        return address
    return None
