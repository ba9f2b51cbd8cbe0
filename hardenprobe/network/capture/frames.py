"""Takes a packet apart as far as a capture needs it: whose it is, where its payload begins, and the packet with another
payload. Pure; whatever the bytes are, `read` returns a Frame or None.

Sources: RFC 791 section 3.1, RFC 8200 sections 3 and 4, RFC 9293 section 3.1, RFC 768, RFC 792, RFC 4443 section 2.1.
"""

from __future__ import annotations

import struct
import sys
from dataclasses import dataclass
from ipaddress import ip_address

STAR = b"*"
TCP, UDP, ICMP, ICMP6 = 6, 17, 1, 58
PROTOCOLS = {"tcp": TCP, "udp": UDP}
SYN = 0x02
_ERRORS = {ICMP: (3, 4, 5, 11, 12), ICMP6: (1, 2, 3, 4)}  # messages that quote the packet they are about
_EXTENSIONS = 8  # IPv6 extension headers that are walked through; each costs at least eight octets
_HOP_BY_HOP, _ROUTING, _FRAGMENT, _AUTHENTICATION, _OPTIONS = 0, 43, 44, 51, 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One IP packet; positions count from its first octet.

    Attributes:
        source, target: Addresses, packed.
        start: Where the transport header begins.
        payload: Where the payload begins, which is all that a header does not explain.
        end: Where the packet ends; what comes after is padding of the link.
        source_port, target_port: 0 for ICMP and for a later fragment.
        sequence, flags: Of TCP.
        ident: Of the datagram that a fragment belongs to.
        offset, more: Where in it the fragment is, and whether others follow.
        quoted: Of an ICMP error: the packet it is about.
    """

    source: bytes
    target: bytes
    protocol: int
    start: int
    payload: int
    end: int
    source_port: int = 0
    target_port: int = 0
    sequence: int = 0
    flags: int = 0
    ident: int = 0
    offset: int = 0
    more: bool = False
    quoted: Frame | None = None

    @property
    def whole(self) -> bool:
        return not (self.offset or self.more)

    @property
    def checksum_at(self) -> int:
        """Where the transport's checksum is."""
        return self.start + {TCP: 16, UDP: 6}.get(self.protocol, 2)


def packed(address: str) -> bytes:
    """An address as it stands in a header, without its zone.

    Raises:
        ValueError: It is none.
    """
    return ip_address(address.partition("%")[0]).packed


def read(packet: bytes) -> Frame | None:
    """Take a packet apart; None where it is neither TCP, UDP nor an ICMP error about one of them, or is malformed."""
    return _read(packet, 0, len(packet), quoted=False)


def network(packet: bytes, at: int, limit: int) -> Frame | None:
    """Take the network header at a place apart, and no more: neither ports nor what is behind them is read.

    Args:
        limit: Where what was captured ends.
    """
    if limit - at < 20:
        return None
    version = packet[at] >> 4
    return _v4(packet, at, limit) if version == 4 else _v6(packet, at, limit) if version == 6 else None


def _read(packet: bytes, at: int, limit: int, *, quoted: bool) -> Frame | None:
    ip = network(packet, at, limit)
    if ip is None or ip.start > ip.end:
        return None
    if ip.offset:
        return ip if ip.protocol in (TCP, UDP, ICMP, ICMP6) and not quoted else None
    return _transport(packet, ip, quoted)


def _v4(packet: bytes, at: int, limit: int) -> Frame | None:
    header = 4 * (packet[at] & 0x0F)
    length, ident, fragment = struct.unpack_from("!HHH", packet, at + 2)
    if header < 20:
        return None
    start = at + header
    return Frame(
        source=packet[at + 12 : at + 16],
        target=packet[at + 16 : at + 20],
        protocol=packet[at + 9],
        start=start,
        payload=start,
        end=min(limit, at + length if length else limit),  # 0: the card will cut it up (segmentation offload)
        ident=ident,
        offset=8 * (fragment & 0x1FFF),
        more=bool(fragment & 0x2000),
    )


def _v6(packet: bytes, at: int, limit: int) -> Frame | None:
    if limit - at < 40:
        return None
    length, protocol = struct.unpack_from("!HB", packet, at + 4)
    end = min(limit, at + 40 + length if length else limit)
    start, ident, offset, more = at + 40, 0, 0, False
    for _ in range(_EXTENSIONS):
        if protocol not in (_HOP_BY_HOP, _ROUTING, _FRAGMENT, _AUTHENTICATION, _OPTIONS):
            break
        if end - start < 8:
            return None
        following, size = packet[start], packet[start + 1]
        if protocol == _FRAGMENT:
            place, ident = struct.unpack_from("!HI", packet, start + 2)
            offset, more = place & 0xFFF8, bool(place & 1)
            start += 8
        else:
            start += 4 * (size + 2) if protocol == _AUTHENTICATION else 8 * (size + 1)
        protocol = following
        if offset:
            break
    return Frame(
        source=packet[at + 8 : at + 24],
        target=packet[at + 24 : at + 40],
        protocol=protocol,
        start=start,
        payload=start,
        end=end,
        ident=ident,
        offset=offset,
        more=more,
    )


def _transport(packet: bytes, ip: Frame, quoted: bool) -> Frame | None:
    start, end = ip.start, ip.end
    payload, sequence, flags, about = start + 8, 0, 0, None
    if end - start < 8:
        return None
    source_port, target_port = struct.unpack_from("!HH", packet, start)
    if ip.protocol == TCP and not quoted:
        if end - start < 20:
            return None
        payload = start + 4 * (packet[start + 12] >> 4)
        if payload - start < 20 or payload > end:
            return None
        sequence, flags = struct.unpack_from("!I", packet, start + 4)[0], packet[start + 13]
    elif ip.protocol in _ERRORS and not quoted:
        source_port = target_port = 0
        about = _read(packet, payload, end, quoted=True) if packet[start] in _ERRORS[ip.protocol] else None
        if about is None:
            return None
        payload = about.payload
    elif ip.protocol not in (TCP, UDP):
        return None
    return Frame(
        source=ip.source,
        target=ip.target,
        protocol=ip.protocol,
        start=start,
        payload=payload,
        end=end,
        source_port=source_port,
        target_port=target_port,
        sequence=sequence,
        flags=flags,
        ident=ip.ident,
        offset=ip.offset,
        more=ip.more,
        quoted=about,
    )


def starred(packet: bytes, frame: Frame) -> bytes:
    """The packet with a star for every octet of its payload, and without the link's padding."""
    size = frame.end - frame.payload
    return replaced(packet, frame, STAR * size) if size or frame.quoted else packet[: frame.end]


def replaced(packet: bytes, frame: Frame, payload: bytes, checksum: bytes | None = None) -> bytes:
    """The packet with another payload of the same length.

    The checksum is computed anew, since the old one would tell a guess at what was taken out from the truth. It is 0
    where it cannot be computed: of a fragment, and in what an ICMP error quotes.

    Args:
        checksum: Write this one instead.
    """
    made = bytearray(packet[: frame.payload] + payload)
    if frame.offset:
        return bytes(made)
    about, at = frame.quoted, frame.checksum_at
    if about is not None and about.protocol == UDP:
        made[about.checksum_at : about.checksum_at + 2] = b"\0\0"
    none = frame.protocol == UDP and made[at : at + 2] == b"\0\0"  # RFC 768: no checksum was sent
    made[at : at + 2] = b"\0\0"
    if checksum is None and frame.whole and not none:
        body = bytes(made[frame.start :])
        checksum = internet_checksum((_pseudo(frame, len(body)) if frame.protocol != ICMP else b"") + body)
        if frame.protocol == UDP and checksum == b"\0\0":
            checksum = b"\xff\xff"
    if checksum is not None:
        made[at : at + 2] = checksum
    return bytes(made)


def _pseudo(frame: Frame, length: int) -> bytes:
    """The pseudo-header of RFC 9293 section 3.1 or RFC 8200 section 8.1."""
    v4 = len(frame.source) == 4
    tail = (
        struct.pack("!HH", frame.protocol, length & 0xFFFF)
        if v4
        else struct.pack("!II", length, frame.protocol)
    )
    return frame.source + frame.target + tail


def internet_checksum(data: bytes) -> bytes:
    """The checksum of RFC 1071, as it is sent."""
    total = sum(memoryview(data + b"\0" * (len(data) % 2)).cast("H"))
    while total > 0xFFFF:
        total = (total & 0xFFFF) + (total >> 16)
    return (~total & 0xFFFF).to_bytes(2, sys.byteorder)  # section 2 (B): the sum does not mind the byte order


def kept(payload: bytes, at: int, said: list[tuple[int, bytes]]) -> bytes:
    """What of a payload may stay: octets that the masked transcript has as well, in the same place.

    Args:
        at: Where in what was said the payload begins.
        said: The transcript's pieces, each with its place; where one differs from the payload by more than stars, it
            is about something else and keeps nothing.

    >>> kept(b"v2 secret!", 0, [(0, b"v2 ******")])
    b'v2 *******'
    """
    made = bytearray(STAR * len(payload))
    for place, piece in said:
        first, last = max(at, place), min(at + len(payload), place + len(piece))
        if first >= last:
            continue
        masked, raw = piece[first - place : last - place], payload[first - at : last - at]
        if masked == raw or all(m in (r, STAR[0]) for m, r in zip(masked, raw, strict=True)):
            made[first - at : last - at] = masked
    return bytes(made)
