"""The links of this machine, as far as the system reports them: its own networks, its neighbours, and addresses of no device.

Linux reports both by netlink (rtnetlink(7)) to every user; elsewhere nothing is known of them.
"""

from __future__ import annotations

import socket
import struct
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from ipaddress import IPv4Address, IPv4Network, ip_address, ip_network
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


def same_neighbour(address: str, table: Mapping[str, Neighbour]) -> list[str]:
    """The other addresses of whoever has an address on a link: those with the same link-layer address there.

    A router that answers for others has many, and says nothing by that: more than `MOST_SAME` are none.
    """
    known = table.get(address)
    if known is None or not known.link_layer.strip("0:"):
        return []
    found = [
        one.address
        for one in table.values()
        if (one.link, one.link_layer) == (known.link, known.link_layer) and one.address != address
    ]
    return found if len(found) <= MOST_SAME else []


def link_layer(address: str, table: Mapping[str, Neighbour]) -> str | None:
    """The link-layer address of whoever has an address on a link; None where it is not known, or a router's that answers for many."""
    known = table.get(address)
    if known is None or not known.resolved or not known.link_layer.strip("0:"):
        return None
    same = sum((one.link, one.link_layer) == (known.link, known.link_layer) for one in table.values())
    return known.link_layer if same <= MOST_SAME + 1 else None


MOST_SAME = 8
_HEADER = struct.Struct("=IHHII")  # nlmsghdr: length, type, flags, sequence, port
_DUMP = 0x301  # NLM_F_REQUEST, NLM_F_ROOT, NLM_F_MATCH
_ERROR, _DONE = 2, 3
_GET_ADDRESSES, _GET_NEIGHBOURS = 22, 30  # linux/rtnetlink.h
_ADDRESS, _LOCAL = 1, 2  # linux/if_addr.h
_DESTINATION, _LINK_LAYER = 1, 2  # linux/neighbour.h
_INCOMPLETE, _FAILED = 0x01, 0x20


@dataclass(frozen=True)
class Neighbour:
    """An entry of the kernel's neighbour table (ARP, RFC 826; neighbour discovery, RFC 4861).

    Attributes:
        resolved: Somebody on the link says that the address is his; False where it was looked for in vain, None while
            it is being looked for.
        link_layer: His link-layer address, "" where it is not known.
        link: Number of the interface.
    """

    address: str
    resolved: bool | None
    link_layer: str
    link: int


def networks() -> AddressSet | None:
    """The networks that this machine's interfaces stand in, loopback among them; None where the system does not tell."""
    found = []
    try:
        for head, values in _ask(_GET_ADDRESSES, struct.pack("=BBBBI", 0, 0, 0, 0, 0)):
            # Of a point-to-point link the far end is the network (rtnetlink(7)).
            packed = values.get(_ADDRESS) or values.get(_LOCAL)
            if packed and len(packed) in (4, 16):
                found.append(str(ip_network((packed, head[1]), strict=False)))
    except OSError:
        return None
    return AddressSet.of(found)


def neighbours() -> dict[str, Neighbour]:
    """The neighbour table, by address; empty where the system does not tell."""
    found: dict[str, Neighbour] = {}
    try:
        for head, values in _ask(_GET_NEIGHBOURS, struct.pack("=BBHiHBB", 0, 0, 0, 0, 0, 0, 0)):
            packed = values.get(_DESTINATION, b"")
            if len(packed) not in (4, 16):
                continue
            _, _, _, link, state, _, _ = struct.unpack_from("=BBHiHBB", head)
            resolved = False if state & _FAILED else None if state & _INCOMPLETE else True
            address = str(ip_address(packed))
            found[address] = Neighbour(address, resolved, values.get(_LINK_LAYER, b"").hex(":"), link)
    except OSError:
        return {}
    return found


def _ask(kind: int, question: bytes) -> Iterator[tuple[bytes, dict[int, bytes]]]:
    """Each message of a dump: its fixed part, and its attributes by number.

    Raises:
        OSError: The system has no such thing, or does not answer.
    """
    if not hasattr(socket, "AF_NETLINK"):
        raise OSError("no netlink")
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, 0) as sock:
        sock.settimeout(1.0)
        sock.bind((0, 0))
        sock.send(_HEADER.pack(_HEADER.size + len(question), kind, _DUMP, 1, 0) + question)
        while True:
            data = sock.recv(1 << 16)
            while len(data) >= _HEADER.size:
                length, answer, *_ = _HEADER.unpack_from(data)
                if answer == _DONE or length < _HEADER.size:
                    return
                if answer == _ERROR:
                    raise OSError("netlink refuses")
                body = data[_HEADER.size : length]
                yield body[: len(question)], _attributes(body[len(question) :])
                data = data[_padded(length) :]


def _attributes(data: bytes) -> dict[int, bytes]:
    found = {}
    while len(data) >= 4:
        length, kind = struct.unpack_from("=HH", data)
        if length < 4:
            break
        found[kind] = data[4:length]
        data = data[_padded(length) :]
    return found


def _padded(length: int) -> int:
    return (length + 3) & ~3
