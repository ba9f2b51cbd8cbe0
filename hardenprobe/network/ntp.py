"""How far a time server is ahead of our clock: one client query of NTP (RFC 5905), sent where the scope file names the server."""

from __future__ import annotations

import asyncio
import secrets
import socket
import struct
import time

from hardenprobe.network import audit_hook
from hardenprobe.network.sockets import family, receive_datagram

PORT = 123
TRIES = 2  # datagrams at most
WAIT = 2.0  # seconds for each
_HEADER = struct.Struct("!BBbb11I")  # RFC 5905 section 7.3, the 48 octets before any extension
_CLIENT = 0x23  # leap indicator 0, version 4, mode 3
_ERA = 2_208_988_800  # seconds from 1900, NTP's prime epoch, to 1970 (RFC 5905 section 6)


async def offset(address: str, port: int = PORT) -> float | None:
    """Seconds that a server is ahead of our clock; None where it does not answer as a synchronised server.

    Source: RFC 5905 section 8: ((T2 - T1) + (T3 - T4)) / 2.
    """
    for _ in range(TRIES):
        with (
            socket.socket(family(address), socket.SOCK_DGRAM) as sock,
            audit_hook.granted(sock, address, port),
        ):
            sock.setblocking(False)
            # A random transmit time is a nonce: the reply must carry it as its originate time.
            nonce = secrets.randbits(64)
            query = struct.pack("!B39xQ", _CLIENT, nonce)
            try:
                sock.connect((address, port))
                sent = time.time()
                await asyncio.get_running_loop().sock_sendall(sock, query)
                reply = await receive_datagram(sock, address, WAIT)
                came = time.time()
            except OSError:
                continue
            if found := times(reply, nonce):
                return round(((found[0] - sent) + (found[1] - came)) / 2, 6)
    return None


def times(reply: bytes, nonce: int) -> tuple[float, float] | None:
    """When a server received our query and sent its reply, seconds since 1970; None for no reply of a synchronised server.

    >>> times(b"", 1) is None
    True
    """
    if len(reply) < _HEADER.size:
        return None
    first, stratum, _, _, *words = _HEADER.unpack_from(reply)
    originate, received, sent = (words[n] << 32 | words[n + 1] for n in (5, 7, 9))
    leap, mode = first >> 6, first & 7
    if mode != 4 or leap == 3 or not 1 <= stratum <= 15 or originate != nonce or not sent:
        return None
    return _seconds(received), _seconds(sent)


def _seconds(stamp: int) -> float:
    """Seconds since 1970; a stamp of the second era, from 2036, has its highest bit clear (RFC 4330 section 3)."""
    whole = (stamp >> 32) + (0 if stamp >> 63 else 1 << 32)
    return whole - _ERA + (stamp & 0xFFFFFFFF) / 2**32
