"""The links of this machine, as far as the system reports them: its own networks, its neighbours, and addresses of no device.

Linux reports both by netlink (rtnetlink(7)) to every user; elsewhere nothing is known of them.
"""

from __future__ import annotations

import socket
import struct
import sys
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
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


def _links(table: str) -> list[IPv4Network]:
    """The networks that need no gateway; a point-to-point link has no ends to skip (RFC 3021)."""
    found = []
    for line in table.splitlines()[1:]:
        cells = line.split()
        if len(cells) < 8 or _address(cells[2]) != IPv4Address(0) or not int(cells[3], 16) & UP:
            continue
        network = IPv4Network(f"{_address(cells[1])}/{_address(cells[7])}", strict=False)
        if 0 < network.prefixlen < 31:
            found.append(network)
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
_REQUEST = 0x1  # NLM_F_REQUEST
_DUMP = 0x301  # NLM_F_REQUEST, NLM_F_ROOT, NLM_F_MATCH
_ERROR, _DONE = 2, 3
_GET_LINKS, _GET_ADDRESSES, _GET_ROUTE, _GET_NEIGHBOURS = 18, 22, 26, 30  # linux/rtnetlink.h
_TO, _GATEWAY = 1, 5  # linux/rtnetlink.h
_TENTATIVE = 0x40  # linux/if_addr.h; nothing can be sent from it yet (RFC 4862 section 2)
_NAME, _UP, _RUNNING = 3, 0x1, 0x40  # linux/if_link.h, linux/if.h
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


@dataclass(frozen=True, kw_only=True)
class OwnAddress:
    """An address of this machine.

    Attributes:
        link, number: Name and number of its interface.
        state: up, down, or "without carrier".
    """

    address: IPv4Address | IPv6Address
    network: IPv4Network | IPv6Network
    link: str
    number: int
    state: str


def own_addresses() -> tuple[OwnAddress, ...] | None:
    """The addresses of this machine's interfaces, loopback among them; None where the system does not tell."""
    links: dict[int, tuple[str, str]] = {}
    found = []
    try:
        for head, values in _ask(_GET_LINKS, struct.pack("=BxHiII", 0, 0, 0, 0, 0)):
            _, _, number, flags, _ = struct.unpack("=BxHiII", head)
            state = "down" if not flags & _UP else "up" if flags & _RUNNING else "without carrier"
            links[number] = values.get(_NAME, b"").rstrip(b"\0").decode(errors="replace"), state
        for head, values in _ask(_GET_ADDRESSES, struct.pack("=BBBBI", 0, 0, 0, 0, 0)):
            # Of a point-to-point link the far end is the network (rtnetlink(7)).
            packed = values.get(_ADDRESS) or values.get(_LOCAL)
            _, _, flags, _, number = struct.unpack("=BBBBI", head)
            if packed and len(packed) in (4, 16) and number in links and not flags & _TENTATIVE:
                found.append(
                    OwnAddress(
                        address=ip_address(values.get(_LOCAL) or packed),
                        network=ip_network((packed, head[1]), strict=False),
                        link=links[number][0],
                        number=number,
                        state=links[number][1],
                    )
                )
    except OSError:
        return None
    return tuple(found)


def networks() -> AddressSet | None:
    """The networks that this machine's interfaces stand in, loopback among them; None where the system does not tell."""
    own = own_addresses()
    return None if own is None else AddressSet.of(str(one.network) for one in own)


def next_hop(address: str) -> str | None:
    """Whom the system hands packets for an address to: a router, or the address itself; None without a route."""
    packed = ip_address(address).packed
    family = socket.AF_INET6 if len(packed) == 16 else socket.AF_INET
    question = struct.pack("=8BI", family, 8 * len(packed), 0, 0, 0, 0, 0, 0, 0)  # rtmsg
    wanted = struct.pack("=HH", 4 + len(packed), _TO) + packed
    try:
        _, values = next(_ask(_GET_ROUTE, question, wanted, flags=_REQUEST))
    except (OSError, StopIteration):
        return None
    router = values.get(_GATEWAY, b"")
    return str(ip_address(router)) if len(router) in (4, 16) else address


def neighbours() -> dict[str, Neighbour]:
    """The neighbour table, by address; empty where the system does not tell."""
    return {one.address: one for one in _neighbours()}


def on_link(link: int) -> dict[str, str]:
    """Address to link-layer address of whoever resolves on one interface; without routers that answer for many."""
    found = {
        one.address: one.link_layer
        for one in _neighbours()
        if one.link == link and one.resolved and one.link_layer.strip("0:")
    }
    same = Counter(found.values())
    return {address: known for address, known in found.items() if same[known] <= MOST_SAME + 1}


def _neighbours() -> list[Neighbour]:
    found = []
    try:
        for head, values in _ask(_GET_NEIGHBOURS, struct.pack("=BBHiHBB", 0, 0, 0, 0, 0, 0, 0)):
            packed = values.get(_DESTINATION, b"")
            if len(packed) not in (4, 16):
                continue
            _, _, _, link, state, _, _ = struct.unpack_from("=BBHiHBB", head)
            resolved = False if state & _FAILED else None if state & _INCOMPLETE else True
            address = str(ip_address(packed))
            found.append(Neighbour(address, resolved, values.get(_LINK_LAYER, b"").hex(":"), link))
    except OSError:
        return []
    return found


def _ask(
    kind: int, question: bytes, more: bytes = b"", flags: int = _DUMP
) -> Iterator[tuple[bytes, dict[int, bytes]]]:
    """Each message of an answer: its fixed part, and its attributes by number.

    Args:
        more: Attributes of the question.

    Raises:
        OSError: The system has no such thing, or does not answer.
    """
    if not hasattr(socket, "AF_NETLINK"):
        raise OSError("no netlink")
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, 0) as sock:
        sock.settimeout(1.0)
        sock.bind((0, 0))
        sock.send(_HEADER.pack(_HEADER.size + len(question + more), kind, flags, 1, 0) + question + more)
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
