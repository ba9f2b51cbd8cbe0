"""Two print jobs and a question to an SNMP agent, as Ethernet frames and as flow records."""

from __future__ import annotations

import struct
from ipaddress import ip_address

from support.captures import Shot

BEFORE = 1_700_000_000.0  # an exporter of flows waits where the packets of a file are yet to come
CLIENT, DEVICE = ip_address("192.0.2.40").packed, ip_address("192.0.2.7").packed


def jobs(text: bytes = b"x") -> list[Shot]:
    """The frames.

    Args:
        text: What the payloads are filled with.
    """
    shots = []
    for n, (port, source) in enumerate(((515, 721), (9100, 40001))):
        for k, (back, flags, seq, size) in enumerate(
            [(0, 2, 99, 0), (1, 18, 4999, 0), (0, 16, 100, 0), (0, 24, 100, 900), (1, 16, 5000, 0), (0, 17, 1000, 0), (1, 17, 5000, 0), (0, 16, 1001, 0)]
        ):  # fmt: skip
            ends = (port, source) if back else (source, port)
            tcp = struct.pack("!HHIIBBHHH", *ends, seq, 0, 0x50, flags, 9000, 0, 0) + (text * size)[:size]
            shots.append(Shot(_frame(tcp, 6, back), BEFORE + n + k / 10))
    for back in (0, 1):
        ends = (161, 40002) if back else (40002, 161)
        udp = struct.pack("!HHHH", *ends, 8 + 40, 0) + (text * 40)[:40]
        shots.append(Shot(_frame(udp, 17, back), BEFORE + 3 + back / 10))
    return shots


def _frame(payload: bytes, protocol: int, back: int) -> bytes:
    ends = (DEVICE, CLIENT) if back else (CLIENT, DEVICE)
    head = struct.pack("!BBHHHBBH4s4s", 0x45, 0, 20 + len(payload), 7, 0, 64, protocol, 0, *ends)
    total = sum(struct.unpack("!10H", head))
    total = (total & 0xFFFF) + (total >> 16)
    return bytes(12) + b"\x08\x00" + head[:10] + struct.pack("!H", ~total & 0xFFFF) + head[12:] + payload


# ---- IPFIX


def message(*sets: bytes, sequence: int = 0, domain: int = 1, exported: int = 1_800_000_000) -> bytes:
    """RFC 7011 section 3.1."""
    body = b"".join(sets)
    return struct.pack("!HHIII", 10, 16 + len(body), exported, sequence, domain) + body


def a_set(number: int, body: bytes) -> bytes:
    """RFC 7011 section 3.3.2."""
    return struct.pack("!HH", number, 4 + len(body)) + body


def template(*fields: tuple[int, int] | tuple[int, int, int], number: int = 256) -> bytes:
    """RFC 7011 section 3.4.1; a third number is an enterprise's."""
    made = struct.pack("!HH", number, len(fields))
    for element, length, *enterprise in fields:
        made += struct.pack("!HH", element | (0x8000 if enterprise else 0), length)
        made += b"".join(struct.pack("!I", one) for one in enterprise)
    return a_set(2, made)


PLAIN = ((8, 4), (12, 4), (7, 2), (11, 2), (4, 1), (152, 8), (153, 8), (1, 8), (2, 4))
MS = 1_800_000_000_000


def flow(octets: int = 5000, packets: int = 10, start: int = MS) -> bytes:
    return CLIENT + DEVICE + struct.pack("!HHBQQQI", 40001, 515, 6, start, start + 2500, octets, packets)


def flows() -> bytes:
    """A file of one message: a template and a record."""
    return message(template(*PLAIN), a_set(256, flow()))
