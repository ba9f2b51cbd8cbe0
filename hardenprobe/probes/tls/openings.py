"""What is said before TLS where another protocol leads to it.

Each is one round trip after the greeting; none signs in, and none goes on in clear when the upgrade is refused.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping

from hardenprobe.errors import MalformedReply
from hardenprobe.network.stream import Stream
from hardenprobe.probes.tls.exchange import Opening

_LINE_LIMIT = 8192

# LDAPMessage 1, ExtendedRequest with the name of StartTLS (RFC 4511 section 4.14.1).
_LDAP_REQUEST = bytes.fromhex("301d02010177188016") + b"1.3.6.1.4.1.1466.20037"
_LDAP_LIMIT = 4096


async def ftp(stream: Stream) -> None:
    """AUTH TLS (RFC 4217 section 4).

    Raises:
        MalformedReply: The upgrade is refused.
    """
    await _reply(stream, "220")
    await stream.send(b"AUTH TLS\r\n", "ftp")
    await _reply(stream, "234")


async def smtp(stream: Stream) -> None:
    """EHLO and STARTTLS (RFC 3207 section 4).

    Raises:
        MalformedReply: The upgrade is refused.
    """
    await _reply(stream, "220")
    await stream.send(b"EHLO localhost\r\n", "smtp")
    await _reply(stream, "250")
    await stream.send(b"STARTTLS\r\n", "smtp")
    await _reply(stream, "220")


async def ldap(stream: Stream) -> None:
    """StartTLS (RFC 4511 section 4.14).

    Raises:
        MalformedReply: The upgrade is refused.
    """
    await stream.send(_LDAP_REQUEST, "ldap")
    data = b""
    async with asyncio.timeout(stream.line.timing.reply):
        while len(data) < 2 or len(data) < 2 + data[1]:
            piece = await stream.receive(_LDAP_LIMIT)
            data += piece
            if not piece or len(data) > _LDAP_LIMIT:
                raise MalformedReply("LDAP: no answer to StartTLS")
    # ExtendedResponse is application 24; its first field is the result code, ENUMERATED of one octet.
    if data[0] != 0x30 or data[1] > 0x7F:
        raise MalformedReply("LDAP: the answer to StartTLS is no short message", 0)
    at = data.find(b"\x78")
    if at < 0 or data[at + 2 : at + 4] != b"\x0a\x01" or data[at + 4 : at + 5] != b"\x00":
        raise MalformedReply(f"LDAP: StartTLS refused: {data[:32].hex()}")


async def http(stream: Stream) -> None:
    """Upgrade within HTTP/1.1, which IPP uses on port 631 (RFC 2817 section 3.2).

    Raises:
        MalformedReply: The upgrade is refused.
    """
    host = stream.line.address if ":" not in stream.line.address else f"[{stream.line.address}]"
    request = f"OPTIONS * HTTP/1.1\r\nHost: {host}\r\nUpgrade: TLS/1.0\r\nConnection: Upgrade\r\n\r\n"
    await stream.send(request.encode("ascii"), "http")
    head = await _until(stream, b"\r\n\r\n")
    words = head.split(None, 2)
    if len(words) < 2 or not words[0].startswith(b"HTTP/1.") or words[1] != b"101":
        raise MalformedReply(f"HTTP: no upgrade to TLS: {head[:64]!r}")


OPENINGS: Mapping[str, Opening] = {"ftp": ftp, "smtp": smtp, "ldap": ldap, "http": http}


async def _reply(stream: Stream, code: str) -> None:
    """Read one reply of RFC 959 or RFC 5321, of one line or many, and insist on its code."""
    data = b""
    async with asyncio.timeout(stream.line.timing.reply):
        while True:
            data = await _until(stream, b"\r\n", data)
            last = data.rstrip(b"\r\n").rsplit(b"\r\n", 1)[-1]
            if len(last) < 4 or last[3:4] == b" ":
                break
    if last[:3] != code.encode("ascii"):
        raise MalformedReply(f"no upgrade to TLS: {last[:64]!r}")


async def _until(stream: Stream, end: bytes, data: bytes = b"") -> bytes:
    """Receive until `end` closes what came; one deadline for all of it."""
    before = len(data)
    async with asyncio.timeout(stream.line.timing.reply):
        while not data.endswith(end) or len(data) == before:
            piece = await stream.receive(_LINE_LIMIT)
            data += piece
            if not piece or len(data) > _LINE_LIMIT:
                raise MalformedReply(f"no upgrade to TLS: {data[:64]!r}")
    return data
