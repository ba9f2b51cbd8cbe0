"""Packet headers that an observation names, read again: for people, and against the connections that they are said to be of."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from ipaddress import ip_address
from typing import Any

from hardenprobe.model import PacketHeader
from hardenprobe.network.capture import frames
from hardenprobe.network.capture.frames import Frame

_FLAGS = ((0x02, "SYN"), (0x10, "ACK"), (0x04, "RST"), (0x01, "FIN"))  # RFC 9293 section 3.1


def packet_text(header: PacketHeader) -> str:
    """Say what the headers of one packet are, and write them down."""
    frame = _frame(header.hex)
    if frame is None:
        return f"{header.at:.3f} s, {header.direction}, not readable"
    about = frame.quoted or frame
    source, target = str(ip_address(about.source)), str(ip_address(about.target))
    ends = f"{source} port {about.source_port} to {target} port {about.target_port}"
    flags = "+".join(name for bit, name in _FLAGS if frame.flags & bit)
    said = f"ICMP from {ip_address(frame.source)} about" if frame.quoted else flags
    return f"{header.at:.3f} s, {header.direction}, {said} {ends}: {header.hex}"


def belongs(header: Mapping[str, Any], sockets: Iterable[Mapping[str, Any]]) -> bool:
    """Tell whether headers in a document are those of a packet of one of the connections beside them."""
    frame = _frame(str(header.get("hex")))
    if frame is None:
        return False
    about = frame.quoted or frame
    ends = [(about.source, about.source_port), (about.target, about.target_port)]
    if header.get("direction") == "received":
        ends.reverse()
    (ours, our_port), (device, port) = ends
    return any(
        frames.PROTOCOLS.get(one["transport"]) == about.protocol
        and (_packed(one["remote"]), one["remote_port"]) == (device, port)
        and one["local_port"] in (0, our_port)
        and _packed(one["local"]) in (None, ours)
        for one in sockets
    )


def _frame(hex: str) -> Frame | None:
    try:
        return frames.read(bytes.fromhex(hex))
    except ValueError:
        return None


def _packed(address: str) -> bytes | None:
    """None for an address that was not known."""
    try:
        packed = frames.packed(address)
    except ValueError:
        return None
    return packed if any(packed) else None
