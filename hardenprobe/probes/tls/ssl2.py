"""SSL 2.0: one hello, one reply that lists every cipher kind the server shares.

Source: draft-hickman-netscape-ssl-00, sections "CLIENT-HELLO" and "SERVER-HELLO"; RFC 6176 forbids its use.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from hardenprobe.errors import MalformedReply
from hardenprobe.probes.tls.codec import CERTIFICATE_LIMIT, Reader
from hardenprobe.probes.tls.suites import SSL2_SUITES


@dataclass(frozen=True, kw_only=True)
class Ssl2Hello:
    """A SERVER-HELLO.

    Attributes:
        version: 2 for SSL 2.0.
        certificate: DER, empty where none came.
        suites: Three-octet kinds.
    """

    version: int
    certificate: bytes
    suites: tuple[int, ...]


def client_hello(challenge: bytes) -> bytes:
    """Build a CLIENT-HELLO that offers every cipher kind.

    Args:
        challenge: 16 to 32 bytes.
    """
    kinds = b"".join(code.to_bytes(3, "big") for code in SSL2_SUITES)
    body = struct.pack(">BHHHH", 1, 2, len(kinds), 0, len(challenge)) + kinds + challenge
    return struct.pack(">H", 0x8000 | len(body)) + body


def read_server_hello(data: bytes) -> Ssl2Hello | None:
    """Read a SERVER-HELLO; None while more must come.

    Raises:
        MalformedReply: It is something else: an error of SSL 2.0, an alert of TLS, or no SSL at all.
    """
    if not data:
        return None
    if data[0] & 0x80:
        header, mask = 2, 0x7F
    elif data[0] & 0x40 or data[0] < 16:
        header, mask = 3, 0x3F
    else:
        raise MalformedReply(f"SSL 2.0: header byte 0x{data[0]:02X}", 0)
    if len(data) < header:
        return None
    length = (data[0] & mask) << 8 | data[1]
    if length > CERTIFICATE_LIMIT or length < 1:
        raise MalformedReply(f"SSL 2.0: record of {length} bytes", 0)
    if len(data) > header and data[header] != 4:
        raise MalformedReply(f"SSL 2.0: message {data[header]}", header)
    if len(data) < header + length:
        return None
    reader = Reader(data[header + 1 : header + length], header + 1)
    reader.take(2)  # session id hit, certificate type
    version = reader.number(2)
    sizes = [reader.number(2) for _ in range(3)]
    certificate = reader.take(sizes[0])
    kinds = reader.take(sizes[1])
    reader.take(sizes[2])
    if version != 2 or len(kinds) % 3:
        raise MalformedReply(f"SSL 2.0: version {version}, {len(kinds)} bytes of cipher kinds", header)
    found = tuple(int.from_bytes(kinds[i : i + 3], "big") for i in range(0, len(kinds), 3))
    return Ssl2Hello(version=version, certificate=certificate, suites=found)
