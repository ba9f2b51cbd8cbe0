"""The links of this machine, as far as the system reports them: their network and broadcast addresses belong to no device."""

from __future__ import annotations

import sys
from functools import cache
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path

from hardenprobe.addresses.sets import AddressSet

ROUTES = Path("/proc/net/route")
UP = 0x1  # RTF_UP, <linux/route.h>


@cache
def ends() -> AddressSet:
    """Network and broadcast addresses of the IPv4 links of this machine; empty where the system does not report them.

    IPv6 has neither (RFC 4291 section 2.6.1: the subnet-router anycast address is a router's, and answers).
    """
    try:
        table = ROUTES.read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError):
        return AddressSet()
    return AddressSet.of(str(end) for link in _links(table) for end in (link[0], link[-1]))


def named() -> list[tuple[str, IPv4Network]]:
    """The IPv4 links that this machine stands on: name of the interface, and network; empty where that is not told."""
    try:
        return _named(ROUTES.read_text(encoding="ascii"))
    except (OSError, UnicodeDecodeError):
        return []


def _links(table: str) -> list[IPv4Network]:
    """The networks that need no gateway; a point-to-point link has no ends to skip (RFC 3021)."""
    return [network for _, network in _named(table) if network.prefixlen < 31]


def _named(table: str) -> list[tuple[str, IPv4Network]]:
    found = []
    for line in table.splitlines()[1:]:
        cells = line.split()
        if len(cells) < 8 or _address(cells[2]) != IPv4Address(0) or not int(cells[3], 16) & UP:
            continue
        network = IPv4Network(f"{_address(cells[1])}/{_address(cells[7])}", strict=False)
        if network.prefixlen > 0:
            found.append((cells[0], network))
    return found


def _address(cell: str) -> IPv4Address:
    """An address as the kernel prints it: the bytes of memory, in this machine's order, as one number in hex."""
    return IPv4Address(int(cell, 16).to_bytes(4, sys.byteorder))
