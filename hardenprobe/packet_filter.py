"""A program for the kernel's packet filter: let through what concerns some networks, and drop the rest where it is cheap.

It only spares a capture the traffic of others; whose a packet is, capture.py decides. Classic BPF as Linux takes it,
see the kernel's Documentation/networking/filter.rst.
"""

from __future__ import annotations

import ctypes
import socket
import struct
from collections.abc import Iterable
from ipaddress import IPv4Network, IPv6Network, ip_network

MOST = 4096  # instructions that the kernel takes (BPF_MAXINSNS)
_ATTACH = 26  # SO_ATTACH_FILTER of asm-generic/socket.h
_WORD, _BYTE, _AND, _EQUAL, _GO, _RETURN = 0x20, 0x30, 0x54, 0x15, 0x05, 0x06
_ALL, _NONE = (_RETURN, 0, 0, 0xFFFFFFFF), (_RETURN, 0, 0, 0)

Instruction = tuple[int, int, int, int]
"""Operation, where to jump if true, where if false, constant."""


def program(networks: Iterable[str]) -> list[Instruction]:
    """Write a program over packets that begin with their IP header.

    Every ICMP packet passes, since an error about a packet to a device comes from a router.

    Args:
        networks: CIDR text of both families.
    """
    parsed = [ip_network(text) for text in networks]
    v4 = [n for n in parsed if isinstance(n, IPv4Network)]
    v6 = [n for n in parsed if isinstance(n, IPv6Network)]
    first = _family(9, 1, [_match(n, at) for n in v4 for at in (12, 16)])
    second = _family(6, 58, [_match(n, at) for n in v6 for at in (8, 24)])
    return [
        (_BYTE, 0, 0, 0),
        (_AND, 0, 0, 0xF0),
        (_EQUAL, 1, 0, 0x40),
        (_GO, 0, 0, len(first)),
        *first,
        (_EQUAL, 1, 0, 0x60),
        _NONE,
        *second,
    ]


def _family(protocol_at: int, icmp: int, matches: list[list[Instruction]]) -> list[Instruction]:
    passes_icmp = [(_BYTE, 0, 0, protocol_at), (_EQUAL, 0, 1, icmp), _ALL]
    return [*passes_icmp, *(step for match in matches for step in match), _NONE]


def _match(network: IPv4Network | IPv6Network, at: int) -> list[Instruction]:
    """Let the packet through where the address at an offset is in the network, else go on behind this."""
    mask, value = network.netmask.packed, network.network_address.packed
    steps: list[Instruction] = []
    for i in range(0, len(mask), 4):
        part = int.from_bytes(mask[i : i + 4])
        if part:
            word = int.from_bytes(value[i : i + 4])
            steps += [(_WORD, 0, 0, at + i), (_AND, 0, 0, part), (_EQUAL, 0, 0, word)]
    steps.append(_ALL)
    behind = len(steps)
    return [(op, yes, behind - 1 - i if op == _EQUAL else no, k) for i, (op, yes, no, k) in enumerate(steps)]


def attach(sock: socket.socket, networks: Iterable[str]) -> None:
    """Give a packet socket of type SOCK_DGRAM the program; without one, where it would be too long."""
    steps = program(networks)
    if len(steps) > MOST:
        return
    code = b"".join(struct.pack("HBBI", *step) for step in steps)
    buffer = ctypes.create_string_buffer(code, len(code))
    sock.setsockopt(socket.SOL_SOCKET, _ATTACH, struct.pack("HP", len(steps), ctypes.addressof(buffer)))
