"""Why no device answered at a target, as far as this machine can tell: no route, its own interface, or nobody on the link."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from ipaddress import ip_address

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.planning import local_links
from hardenprobe.planning.local_links import Neighbour, OwnAddress
from hardenprobe.planning.plan import Target
from hardenprobe.scope.scope import is_loopback

MOST_NAMED = 3  # targets that one notice names


def notices(asked: Iterable[Target], answered: Iterable[str]) -> list[str]:
    """One for each reason why targets without any answer were silent.

    Args:
        answered: Addresses at which a device answered.
    """
    met = AddressSet.of(answered)
    own = local_links.own_addresses()
    if own is None:
        return []
    table = local_links.neighbours()
    targets: dict[str, list[str]] = {}
    for target in asked:
        first = str(target.first)
        if is_loopback(first) or AddressSet.of([f"{target.first}-{target.last}"]) & met:
            continue
        if why := _why(first, own, table, met):
            targets.setdefault(why, []).append(target.text)
    return [f"no device answered at {_named(some)}: {why}" for why, some in targets.items()]


def _why(address: str, own: Iterable[OwnAddress], table: dict[str, Neighbour], met: AddressSet) -> str | None:
    here = next((one for one in own if ip_address(address) in one.network), None)
    if here and here.state != "up":
        return f"interface {here.link} ({here.network}) is {here.state}"
    router = local_links.next_hop(address)
    if router is None:
        return "this machine has no route there, and nothing was sent"
    if here is None:
        if _unresolved([router], table):
            return f"router {router} does not answer address resolution"
    elif not AddressSet.of([str(here.network)]) & met and _unresolved(_on(here, table), table):
        return f"nobody on {here.link} ({here.network}) answers address resolution; check cable, VLAN and addresses"
    return None


def _on(here: OwnAddress, table: dict[str, Neighbour]) -> Iterator[str]:
    return (
        one for one, known in table.items() if known.link == here.number and ip_address(one) in here.network
    )


def _unresolved(addresses: Iterable[str], table: dict[str, Neighbour]) -> bool:
    """All of these were looked for on the link in vain."""
    known = [table[one].resolved for one in addresses if one in table]
    return bool(known) and not any(known)


def _named(targets: list[str]) -> str:
    more = len(targets) - MOST_NAMED
    return ", ".join(targets[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
