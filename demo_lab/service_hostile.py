"""TCP services that attack the scanner. None of them answers anything that a good service would.

Every attack is bounded, so that a client that never hangs up does not keep the lab busy for ever.
"""

from __future__ import annotations

import asyncio
import gzip
import os
import random
import socket
import struct
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import ClassVar

from hardenprobe.demo_lab.service import IDLE, Service, Talk

FLOOD = 64 * 1024 * 1024  # bytes of one endless answer
PIECE = 65536

# For every field that a report shows: a formula, terminal and HTML commands, and bytes that are no text.
TEXT = b"=1+1 \x1b[2J\x1b]0;mine\x07<script>alert(1)</script>"
GARBAGE = random.Random(1).randbytes(2048)  # always the same, so that what a scan makes of it is, too
BINARY = TEXT + b"\0\xff\xfe"

Attack = Callable[[Talk], Awaitable[None]]
ATTACKS: dict[str, Attack] = {}


def attack(run: Attack) -> Attack:
    """Register an attack under its name, with dashes."""
    ATTACKS[run.__name__.replace("_", "-")] = run
    return run


@dataclass(frozen=True, kw_only=True)
class Attacker(Service, speaks="attacker"):
    """A port that attacks.

    Attributes:
        does: A key of ATTACKS.
    """

    does: str

    def fault(self) -> str | None:
        return None if self.does in ATTACKS else f"does must be one of {', '.join(sorted(ATTACKS))}"

    async def serve(self, talk: Talk) -> None:
        await ATTACKS[self.does](talk)


@dataclass(frozen=True, kw_only=True)
class Tarpit(Service, speaks="tarpit"):
    """Accepts and says nothing, here and on every port of the dynamic range (RFC 6335 section 6)."""

    beside: ClassVar[range] = range(49152, 65536)

    async def serve(self, talk: Talk) -> None:
        while await talk.some():
            pass


async def _flood(talk: Talk, piece: bytes) -> None:
    for _ in range(FLOOD // len(piece)):
        await talk.say(piece)
        await asyncio.sleep(0)  # the other devices want their turn


async def _request(talk: Talk) -> bytes:
    """The head of an HTTP request, and whatever came with it."""
    data = b""
    while b"\r\n\r\n" not in data and len(data) < PIECE:
        piece = await talk.some()
        if not piece:
            break
        data += piece
    return data


def _http(headers: bytes, body: bytes = b"", kind: bytes = b"text/html") -> bytes:
    head = b"HTTP/1.1 200 OK\r\nContent-Type: " + kind + b"\r\n" + headers
    return head + b"Content-Length: %d\r\n\r\n" % len(body) + body


# ---- whatever the protocol


@attack
async def drip(talk: Talk) -> None:
    for _ in range(600):
        await talk.say(b"2")
        await asyncio.sleep(1)


@attack
async def endless_banner(talk: Talk) -> None:
    await _flood(talk, b"Welcome to a device that never stops talking.\r\n" * 1000)


@attack
async def garbage(talk: Talk) -> None:
    await talk.say(GARBAGE)
    while await talk.some():
        await talk.say(GARBAGE)


@attack
async def reset(talk: Talk) -> None:
    line = talk.writer.get_extra_info("socket")
    line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    talk.writer.transport.abort()


@attack
async def echo(talk: Talk) -> None:
    while piece := await talk.some():
        await talk.say(piece)


# ---- HTTP


@attack
async def long_header(talk: Talk) -> None:
    await _request(talk)
    await talk.say(b"HTTP/1.1 200 OK\r\nX-Long: ")
    for _ in range(10 * 1024 * 1024 // PIECE):
        await talk.say(b"a" * PIECE)
    await talk.say(b"\r\nContent-Length: 0\r\n\r\n")


@attack
async def endless_header(talk: Talk) -> None:
    await _request(talk)
    await talk.say(b"HTTP/1.1 200 OK\r\n")
    await _flood(talk, b"X-More: and more\r\n" * 1000)


@attack
async def endless_chunks(talk: Talk) -> None:
    await _request(talk)
    await talk.say(b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nTransfer-Encoding: chunked\r\n\r\n")
    await _flood(talk, b"1\r\n<\r\n" * 5000)


@attack
async def endless_interim(talk: Talk) -> None:
    """Interim answers without an end (RFC 9110 section 15.2)."""
    await _request(talk)
    await _flood(talk, b"HTTP/1.1 100 Continue\r\n\r\n" * 1000)


@attack
async def gzip_bomb(talk: Talk) -> None:
    """A hundred mebibytes in a hundred kilobytes."""
    await _request(talk)
    bomb = await asyncio.to_thread(gzip.compress, bytes(100 * 1024 * 1024), 6)
    await talk.say(_http(b"Content-Encoding: gzip\r\n", bomb))


@attack
async def no_body(talk: Talk) -> None:
    await _request(talk)
    await talk.say(b"HTTP/1.1 403 Forbidden\r\nContent-Length: 100\r\n\r\n")
    await talk.some()


@attack
async def half_body(talk: Talk) -> None:
    await _request(talk)
    await talk.say(b"HTTP/1.1 301 Moved\r\nLocation: https://127.78.0.47/\r\nContent-Length: 100\r\n\r\nhalf")


@attack
async def redirect_loop(talk: Talk) -> None:
    await _request(talk)
    await talk.say(b"HTTP/1.1 302 Found\r\nLocation: /\r\nContent-Length: 0\r\n\r\n")


@attack
async def xml_bomb(talk: Talk) -> None:
    await _request(talk)
    await talk.say(_http(b"", XML_BOMB, b"text/xml"))


@attack
async def deep_page(talk: Talk) -> None:
    """A page of nothing but opening tags, comments and marked sections that never end."""
    await _request(talk)
    await talk.say(_http(b"", b"<div><!-- <![CDATA[ <title>" * 8000))


@attack
async def http_texts(talk: Talk) -> None:
    await _request(talk)
    page = b"<title>" + BINARY.replace(b"<", b"&lt;") + b"</title><form><input type=password>"
    fields = {b"Server": TEXT, b"Location": TEXT, b"Set-Cookie": b"sid" + TEXT + b"=1", b"Date": TEXT}
    await talk.say(_http(b"".join(name + b": " + text + b"\r\n" for name, text in fields.items()), page))


XML_BOMB = (
    b'<?xml version="1.0"?><!DOCTYPE b [<!ENTITY a "aaaaaaaaaa">'
    + b"".join(b'<!ENTITY %c "%s">' % (98 + i, b"&%c;" % (97 + i) * 10) for i in range(9))
    + b']><scan:ScannerCapabilities xmlns:scan="urn:lab.example:scan">&j;</scan:ScannerCapabilities>'
)
"""Ten bytes that become ten thousand million."""


# ---- IPP (RFC 8010 section 3)


def _ipp(body: bytes) -> bytes:
    return _http(b"", body, b"application/ipp")


@attack
async def ipp_cut(talk: Talk) -> None:
    """A value of 65,535 octets that is not there."""
    await _request(talk)
    await talk.say(_ipp(bytes.fromhex("0101000000000001") + b"\x04\x41\x00\x04name\xff\xff="))


@attack
async def ipp_values(talk: Talk) -> None:
    """A hundred thousand values, and collections that never end."""
    await _request(talk)
    value = b"\x34\x00\x00\x00\x00" * 50_000 + b"\x21\x00\x00\x00\x04\x00\x00\x00\x01" * 20_000
    await talk.say(_ipp(bytes.fromhex("0101000000000001") + b"\x04\x41\x00\x01n\x00\x01v" + value))


# ---- TLS (RFC 5246 sections 6.2 and 7)


def _record(kind: int, data: bytes) -> bytes:
    return struct.pack(">BHH", kind, 0x0303, len(data)) + data


def _hello() -> bytes:
    """A ServerHello of TLS 1.2 that picks ECDHE-RSA with AES-128-GCM."""
    body = b"\x03\x03" + os.urandom(32) + b"\x00\xc0\x2f\x00"
    return b"\x02" + len(body).to_bytes(3) + body


@attack
async def tls_endless_handshake(talk: Talk) -> None:
    """A hello, and after it messages without meaning for ever."""
    await talk.some()
    await talk.say(_record(22, _hello()))
    await _flood(talk, _record(22, b"\x16\x00\x10\x00" + bytes(4096)) * 8)


@attack
async def tls_long_message(talk: Talk) -> None:
    """A certificate message of 16 MiB."""
    await talk.some()
    await talk.say(_record(22, _hello()) + _record(22, b"\x0b\xff\xff\xff\xff\xff\xfc" + bytes(16000)))
    await _flood(talk, _record(22, bytes(16384)))


@attack
async def tls_wrong_suite(talk: Talk) -> None:
    """A ServerHello with a suite that no registry has (RFC 8701)."""
    await talk.some()
    body = b"\x03\x03" + os.urandom(32) + b"\x00\x0a\x0a\x00"
    await talk.say(_record(22, b"\x02" + len(body).to_bytes(3) + body) + _record(22, b"\x0e\0\0\0"))
    await talk.some()


@attack
async def tls_renegotiation_content(talk: Talk) -> None:
    """A ServerHello whose renegotiation_info is not empty on a first handshake (RFC 5746 section 3.4)."""
    await talk.some()
    body = b"\x03\x03" + os.urandom(32) + b"\x00\xc0\x2f\x00" + b"\0\x09\xff\x01\0\5\4fake"
    await talk.say(_record(22, b"\x02" + len(body).to_bytes(3) + body) + _record(22, b"\x0e\0\0\0"))
    await talk.some()


@attack
async def tls_endless_retry(talk: Talk) -> None:
    """One HelloRetryRequest after another (RFC 8446 section 4.1.4 allows one)."""
    retry = bytes.fromhex("cf21ad74e59a6111be1d8c021e65b891c2a211167abb8c5e079e09e2c8a8339c")
    more = b"\0\x2b\0\2\3\4\0\x33\0\2\0\x17"
    body = b"\x03\x03" + retry + b"\x00\x13\x01\x00" + len(more).to_bytes(2) + more
    while await talk.some():
        await talk.say(_record(22, b"\x02" + len(body).to_bytes(3) + body))


@attack
async def tls_empty_records(talk: Talk) -> None:
    await talk.some()
    await _flood(talk, _record(22, b"") * 8192)


@attack
async def tls_alert_storm(talk: Talk) -> None:
    """Warnings, of which a client may pass over as many as it likes."""
    await talk.some()
    await _flood(talk, _record(21, b"\x01\x5a") * 4096)  # user_canceled


# ---- SSH (RFC 4253 sections 4.2, 6 and 11)


@attack
async def ssh_banner_flood(talk: Talk) -> None:
    await talk.say(b"SSH is coming\r\n")
    await _flood(talk, b"one more line before it\r\n" * 2000)


@attack
async def ssh_endless_ignore(talk: Talk) -> None:
    await talk.say(b"SSH-2.0-Console_" + TEXT.replace(b" ", b"_") + b"\r\n")
    await talk.line()
    await _flood(talk, struct.pack(">IBB", 12, 6, 2) + bytes(10))


@attack
async def ssh_long_packet(talk: Talk) -> None:
    await talk.say(b"SSH-2.0-Console_1\r\n")
    await talk.line()
    await talk.say(struct.pack(">IBB", 0xFFFFFFF0, 4, 20))
    await _flood(talk, os.urandom(4096) * 16)


@attack
async def ssh_names(talk: Talk) -> None:
    """A KEXINIT with eight thousand names in a list."""
    await talk.say(b"SSH-2.0-Console_1\r\n")
    await talk.line()
    names = b",".join(b"%x" % n for n in range(8000))[:30000].rstrip(b",")
    payload = b"\x14" + os.urandom(16) + struct.pack(">I", len(names)) + names + bytes(9 * 4 + 5)
    await talk.say(struct.pack(">IB", len(payload) + 5, 4) + payload + bytes(4))
    await talk.some()


# ---- greetings


@attack
async def ftp_endless_reply(talk: Talk) -> None:
    """A reply of many lines whose last never comes (RFC 959 section 4.2)."""
    await talk.say(b"220 " + TEXT + b"\r\n")
    while await talk.line() is not None:
        await _flood(talk, b"331-and another thing\r\n" * 2000)


@attack
async def ftp_texts(talk: Talk) -> None:
    await talk.say(b"220 " + BINARY + b"\r\n")
    while await talk.line() is not None:
        await talk.say(b"331 " + BINARY + b"\r\n")


@attack
async def telnet_endless_option(talk: Talk) -> None:
    """A sub-negotiation that is never ended (RFC 855)."""
    await talk.say(b"\xff\xfb\x01\xff\xfa\x18")
    await _flood(talk, b"\0" * PIECE)


@attack
async def telnet_texts(talk: Talk) -> None:
    await talk.say(b"\xff\xfb\x01" + BINARY + b" login: ")
    await asyncio.sleep(IDLE)


@attack
async def screen_reason(talk: Talk) -> None:
    """Four gigabytes of reason for turning a client away (RFC 6143 section 7.1.2)."""
    await talk.say(b"RFB 003.008\n")
    await talk.line()
    await talk.say(b"\0\xff\xff\xff\xff")
    await _flood(talk, TEXT * 1000)


@attack
async def screen_drip(talk: Talk) -> None:
    """Two hundred security types, a byte a second."""
    await talk.say(b"RFB 003.008\n")
    await talk.line()
    await talk.say(b"\xc8")
    await drip(talk)


@attack
async def ftp_drip(talk: Talk) -> None:
    """A line a second of a reply that never ends."""
    for _ in range(600):
        await talk.say(b"220-\r\n")
        await asyncio.sleep(1)


@attack
async def smb_drip(talk: Talk) -> None:
    await talk.some()
    await talk.say(b"\0\0\x0f\xff")
    await drip(talk)


@attack
async def smb_length(talk: Talk) -> None:
    await talk.some()
    await talk.say(b"\0\xff\xff\xff\xfeSMB")
    await _flood(talk, bytes(PIECE))


@attack
async def smb_counts(talk: Talk) -> None:
    """A negotiation of 65,535 contexts that lie nowhere (MS-SMB2 section 2.2.4): a dissector looks for them for seconds."""
    await talk.some()
    head = b"\xfeSMB\x40" + bytes(11) + b"\1\0\0\0" + bytes(44)
    body = b"\x40\0\1\0\x11\3\xff\xff" + bytes(56) + b"\0\0\0\x04" * 3
    await talk.say((len(head) + len(body)).to_bytes(4) + head + body)
    await talk.some()


@attack
async def dns_length(talk: Talk) -> None:
    """An answer of 65,535 bytes (RFC 1035 section 4.2.2) that comes a byte a second."""
    await talk.some()
    await talk.say(b"\xff\xff")
    await drip(talk)
