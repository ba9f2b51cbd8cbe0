"""A socket that sees the packets of every interface, as far as the kernel's filter lets them through. Linux only.

The filter only spares a capture the traffic of others; whose a packet is, network/capture/capture.py decides. Classic BPF as Linux takes
it, see the kernel's Documentation/networking/filter.rst; packet(7) for the rest.
"""

from __future__ import annotations

import ctypes
import socket
import struct
import time
from collections.abc import Iterable, Sequence
from ipaddress import IPv4Network, IPv6Network, ip_network

from hardenprobe.errors import UsageError

MOST = 4096  # instructions that the kernel takes (BPF_MAXINSNS)
KERNEL_BUFFER = 32 * 1024 * 1024  # bytes that the kernel may hold for us: some 40,000 small packets
EXTRA = 64  # bytes of ancillary data beside a packet: its time
_EVERY_PROTOCOL, _SOL_PACKET, _STATISTICS = 3, 263, 6  # ETH_P_ALL, SOL_PACKET, PACKET_STATISTICS
# SO_ATTACH_FILTER, SO_TIMESTAMP and SO_RCVBUFFORCE of asm-generic
_ATTACH, _TIMESTAMP, _BUFFER_FORCE = 26, 29, 33
_WORD, _BYTE, _AND, _EQUAL, _GO, _RETURN = 0x20, 0x30, 0x54, 0x15, 0x05, 0x06
_ALL, _NONE = (_RETURN, 0, 0, 0xFFFFFFFF), (_RETURN, 0, 0, 0)

Instruction = tuple[int, int, int, int]
"""Operation, where to jump if true, where if false, constant."""

_HEADER_LENGTH, _BYTE_BEHIND, _ANY_BIT = (
    0xB1,
    0x50,
    0x45,
)  # BPF_LDX|BPF_MSH; BPF_LD|BPF_B|BPF_IND; BPF_JMP|BPF_JSET
_SYN_OR_RST = 0x06  # RFC 9293 section 3.1: octet 13 of the TCP header
_DECIDES_V4: tuple[Instruction, ...] = (
    (_EQUAL, 1, 0, 6),
    _NONE,
    (_HEADER_LENGTH, 0, 0, 0),
    (_BYTE_BEHIND, 0, 0, 13),
    (_ANY_BIT, 1, 0, _SYN_OR_RST),
    _NONE,
)  # entered with the protocol in the register
_DECIDES_V6: tuple[Instruction, ...] = (
    (_EQUAL, 1, 0, 6),
    _NONE,
    (_BYTE, 0, 0, 40 + 13),
    (_ANY_BIT, 1, 0, _SYN_OR_RST),
    _NONE,
)


def program(networks: Iterable[str], *, deciding: bool = False) -> list[Instruction]:
    """Write a program over packets that begin with their IP header.

    Every ICMP packet passes, since an error about a packet to a device comes from a router.

    Args:
        networks: CIDR text of both families.
        deciding: Of the others only TCP segments that open or reset a connection. One behind IPv6 extension headers does
            not pass.
    """
    parsed = [ip_network(text) for text in networks]
    v4 = [n for n in parsed if isinstance(n, IPv4Network)]
    v6 = [n for n in parsed if isinstance(n, IPv6Network)]
    first = _family(9, 1, _DECIDES_V4 * deciding, [_match(n, at) for n in v4 for at in (12, 16)])
    second = _family(6, 58, _DECIDES_V6 * deciding, [_match(n, at) for n in v6 for at in (8, 24)])
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


def _family(
    protocol_at: int, icmp: int, decides: Sequence[Instruction], matches: list[list[Instruction]]
) -> list[Instruction]:
    passes_icmp = [(_BYTE, 0, 0, protocol_at), (_EQUAL, 0, 1, icmp), _ALL]
    return [*passes_icmp, *decides, *(step for match in matches for step in match), _NONE]


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


def opened(networks: Iterable[str], *, deciding: bool = False) -> socket.socket:
    """Open the socket; it never blocks, and a packet comes without its link header.

    Args:
        networks: CIDR text; other packets may be dropped.
        deciding: As for `program`.

    Raises:
        UsageError: This process may not, or this system cannot.
    """
    if not hasattr(socket, "AF_PACKET"):
        raise UsageError("--capture works on Linux only; leave it out")
    try:
        sock = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM, socket.htons(_EVERY_PROTOCOL))
    except PermissionError as exc:
        raise UsageError(
            "--capture needs the right to read packets (CAP_NET_RAW), which this process has not; start it as root or "
            "with that right, or leave --capture out"
        ) from exc
    except OSError as exc:
        raise UsageError(f"--capture cannot read packets here: {exc.strerror}; leave it out") from exc
    sock.setblocking(False)
    sock.setsockopt(socket.SOL_SOCKET, _TIMESTAMP, 1)
    try:
        sock.setsockopt(socket.SOL_SOCKET, _BUFFER_FORCE, KERNEL_BUFFER)
    except PermissionError:  # without CAP_NET_ADMIN the system's own limit holds
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, KERNEL_BUFFER)
    attach(sock, networks, deciding=deciding)
    return sock


def attach(sock: socket.socket, networks: Iterable[str], *, deciding: bool = False) -> None:
    """Give a datagram socket the program; nothing is filtered where it would be too long for the kernel."""
    steps = program(networks, deciding=deciding)
    if len(steps) <= MOST:
        code = b"".join(struct.pack("HBBI", *step) for step in steps)
        buffer = ctypes.create_string_buffer(code, len(code))
        sock.setsockopt(socket.SOL_SOCKET, _ATTACH, struct.pack("HP", len(steps), ctypes.addressof(buffer)))


def seen_at(extra: list[tuple[int, int, bytes]]) -> float:
    """When the kernel saw a packet, from its ancillary data: seconds since 1970."""
    for level, kind, data in extra:
        if (level, kind) == (socket.SOL_SOCKET, _TIMESTAMP):
            seconds, part = struct.unpack("ll", data[: struct.calcsize("ll")])
            return float(seconds + part / 1_000_000)
    return time.time()


def dropped(sock: socket.socket) -> int:
    """How many packets found no room since this was asked last."""
    return int(struct.unpack("II", sock.getsockopt(_SOL_PACKET, _STATISTICS, 8))[1])
