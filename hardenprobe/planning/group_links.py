"""On which links of this machine multicast groups may be asked, and from which of our addresses."""

from __future__ import annotations

import contextlib
import socket
import struct
from collections.abc import Iterator
from ipaddress import IPv4Address, IPv4Network

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.errors import ScopeRefused
from hardenprobe.model import Vantage
from hardenprobe.planning import local_links
from hardenprobe.planning.plan import Plan

LOOPBACK = ("lo", IPv4Network("127.0.0.0/8"))  # no routing table that is read here names it
_ADDRESS_OF = 0x8915  # SIOCGIFADDR, Linux, netdevice(7)


def links(plan: Plan, vantage: Vantage) -> Iterator[tuple[str, str, AddressSet]]:
    """Links that the scope grants and the plan has addresses on: name, our address and network.

    A vantage point whose source is on another link sees only that one.
    """
    for name, network in (LOOPBACK, *local_links.named()):
        members = AddressSet.of([str(network)])
        source = vantage.source or _own(name)
        if not plan.scope.grants_link(name) or not (plan.wanted & members) or not source or ":" in source:
            continue
        with contextlib.suppress(ScopeRefused):
            if plan.scope.sources is not None:
                plan.scope.check_source(source)
            if IPv4Address(source) in network:
                yield name, source, members


def _own(name: str) -> str | None:
    """Our first IPv4 address on an interface, None where the system does not tell."""
    try:
        import fcntl
    except ImportError:  # no Linux
        return None
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        told = fcntl.ioctl(sock, _ADDRESS_OF, struct.pack("16s240x", name.encode()[:15]))
        return socket.inet_ntoa(told[20:24])
    return None
