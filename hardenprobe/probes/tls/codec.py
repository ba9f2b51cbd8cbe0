"""TLS hellos out, first flights in: bytes to values, no sockets.

Built: ClientHello of SSL 3.0 to TLS 1.3 (RFC 6101, 2246, 4346, 5246, 8446). Read: what a server says before a key is
needed. SSL 2.0 is in tls_ssl2.py, the encrypted half of a TLS 1.3 flight in tls_thirteen.py.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import dataclass, field
from ipaddress import ip_address

from hardenprobe.errors import MalformedReply
from hardenprobe.probes.tls.suites import SIGNALS, SIGNATURE_SCHEMES, is_tls13, suites

VERSION_NAMES = {
    0x0002: "SSL 2.0",
    0x0300: "SSL 3.0",
    0x0301: "TLS 1.0",
    0x0302: "TLS 1.1",
    0x0303: "TLS 1.2",
    0x0304: "TLS 1.3",
}
TLS13, TLS12, TLS11, TLS10, SSL3 = 0x0304, 0x0303, 0x0302, 0x0301, 0x0300

CHANGE_CIPHER_SPEC, ALERT, HANDSHAKE, APPLICATION_DATA = 20, 21, 22, 23
RECORD_LIMIT = 16384 + 2048  # RFC 5246 section 6.2.3
MESSAGE_LIMIT = 131072  # a chain of ten certificates fits; the format would allow 16 MiB
FLIGHT_LIMIT = 262144  # all that one flight may bring before it is given up
CHAIN_LIMIT = 10
CERTIFICATE_LIMIT = 65536

# What the extensions whose presence is a verdict have to hold: renegotiation_info of a first handshake (RFC 5746 section 3.4),
# encrypt_then_mac (RFC 7366 section 2) and extended_master_secret (RFC 7627 section 5.1).
_HOLDS = {0xFF01: b"\0", 22: b"", 23: b""}
# SHA-256 of "HelloRetryRequest" (RFC 8446 section 4.1.3).
_RETRY = bytes.fromhex("cf21ad74e59a6111be1d8c021e65b891c2a211167abb8c5e079e09e2c8a8339c")


@dataclass(frozen=True, kw_only=True)
class ClientHello:
    """What is offered.

    Attributes:
        versions: Highest first. TLS 1.2 and below are offered as a range, as those versions have it.
        key_shares: (group, public value), for TLS 1.3; may be empty, which asks for a HelloRetryRequest.
        compression: Offer DEFLATE too (RFC 3749). TLS 1.3 forbids the offer.
        extensions: False leaves out all of them, for servers older than RFC 3546.
        cookie: Of a HelloRetryRequest.
        heartbeat: Offer heartbeats, which the peer may send too (RFC 6520 section 2).
        answerable: Of a hello that was read: the numbers of its extensions.
    """

    versions: tuple[int, ...]
    suites: tuple[int, ...]
    random: bytes
    session: bytes = b""
    groups: tuple[int, ...] = ()
    key_shares: tuple[tuple[int, bytes], ...] = ()
    compression: bool = False
    extensions: bool = True
    server_name: str | None = None
    cookie: bytes | None = None
    heartbeat: bool = False
    answerable: frozenset[int] = frozenset()

    def message(self) -> bytes:
        """The handshake message, without its record."""
        body = struct.pack(">H", min(self.versions[0], TLS12)) + self.random + _vector(1, self.session)
        body += _vector(2, b"".join(struct.pack(">H", code) for code in self.suites))
        body += b"\x02\x01\x00" if self.compression else b"\x01\x00"
        if self.extensions and self.versions[0] > SSL3:
            body += _vector(2, self._extensions())
        return struct.pack(">B", 1) + _vector(3, body)

    def record(self) -> bytes:
        """The message in one record; the record version is the lowest that every server takes."""
        return struct.pack(">BH", HANDSHAKE, min(self.versions[0], TLS10)) + _vector(2, self.message())

    def _extensions(self) -> bytes:
        out = b""
        if self.server_name and not _literal(self.server_name):
            out += _extension(0, _vector(2, b"\x00" + _vector(2, self.server_name.encode("idna"))))
        if self.groups:
            out += _extension(10, _vector(2, _shorts(self.groups)))
            out += _extension(11, b"\x01\x00")
        if self.versions[0] >= TLS12:
            out += _extension(13, _vector(2, _shorts(SIGNATURE_SCHEMES)))
        if self.versions[-1] <= TLS12:
            out += _extension(22, b"") + _extension(23, b"") + _extension(0xFF01, b"\x00")
        if self.heartbeat:
            out += _extension(15, b"\x01")
        if self.versions[0] >= TLS13:
            out += _extension(43, _vector(1, _shorts(self.versions)))
            out += _extension(45, b"\x01\x01")
            if self.cookie is not None:
                out += _extension(44, _vector(2, self.cookie))
            shares = b"".join(struct.pack(">H", group) + _vector(2, key) for group, key in self.key_shares)
            out += _extension(51, _vector(2, shares))
        return out


@dataclass(frozen=True, kw_only=True)
class ServerHello:
    """What was picked.

    Attributes:
        version: The one in force, from supported_versions where that is present.
        retry: It is a HelloRetryRequest.
        group: Of key_share, in TLS 1.3.
        share: The server's public value; empty in a HelloRetryRequest.
        raw: The handshake message.
    """

    version: int
    suite: int
    compression: int
    extensions: dict[int, bytes]
    retry: bool
    group: int | None
    share: bytes
    raw: bytes


@dataclass(kw_only=True)
class Flight:
    """What a server said first, as far as it has come.

    Attributes:
        alert: (level, number) of the alert that ended it.
        warnings: Numbers of alerts that ended nothing.
        group: Named curve of ServerKeyExchange, -1 for an explicit one.
        dh_bits: Size of the prime of ServerKeyExchange.
        rsa_bits: Size of a temporary RSA key (export suites).
        sealed: Encrypted records of TLS 1.3, header included.
        done: Nothing more can be learnt from it in clear.
    """

    hello: ServerHello | None = None
    alert: tuple[int, int] | None = None
    warnings: list[int] = field(default_factory=list)
    chain: list[bytes] = field(default_factory=list)
    left_out: int = 0
    group: int | None = None
    dh_bits: int | None = None
    rsa_bits: int | None = None
    certificate_requested: bool = False
    sealed: list[bytes] = field(default_factory=list)
    done: bool = False


class Reader:
    """Reads big-endian fields; whatever does not fit raises MalformedReply."""

    def __init__(self, data: bytes, base: int = 0) -> None:
        self._data = data
        self._at = 0
        self._base = base

    def take(self, count: int) -> bytes:
        if count > len(self._data) - self._at:
            left = len(self._data) - self._at
            raise MalformedReply(f"TLS: length {count} overruns {left} bytes", self._base + self._at)
        piece = self._data[self._at : self._at + count]
        self._at += count
        return piece

    def number(self, size: int) -> int:
        return int.from_bytes(self.take(size), "big")

    def vector(self, size: int) -> bytes:
        return self.take(self.number(size))

    @property
    def left(self) -> int:
        return len(self._data) - self._at

    def end(self) -> None:
        if self.left:
            raise MalformedReply(f"TLS: {self.left} bytes too many", self._base + self._at)


def read_flight(data: bytes) -> Flight:
    """Read all that has come so far; `done` tells whether more is worth waiting for.

    Raises:
        MalformedReply: It is not TLS, or breaks it.

    Source: RFC 5246 sections 6.2, 7.2 and 7.4; RFC 8446 sections 4 and 5. One record may hold many messages and one
        message many records.
    """
    if len(data) > FLIGHT_LIMIT:
        raise MalformedReply(f"TLS: a flight of more than {FLIGHT_LIMIT} bytes")
    flight = Flight()
    pending = b""
    at = 0
    while at < len(data) and not flight.done:
        kind = data[at]
        if kind not in (CHANGE_CIPHER_SPEC, ALERT, HANDSHAKE, APPLICATION_DATA):
            raise MalformedReply(f"TLS: record type {kind}", at)
        if at + 1 < len(data) and data[at + 1] != 3:
            raise MalformedReply(f"TLS: record version {data[at + 1]}", at + 1)
        if at + 5 > len(data):
            break
        length = int.from_bytes(data[at + 3 : at + 5], "big")
        if length > RECORD_LIMIT:
            raise MalformedReply(f"TLS: record of {length} bytes", at + 3)
        body = data[at + 5 : at + 5 + length]
        if len(body) < length:
            break
        thirteen = flight.hello is not None and flight.hello.version >= TLS13
        if kind == ALERT:
            _read_alert(flight, body, at)
        elif kind == HANDSHAKE:
            pending = _read_messages(flight, pending + body, at)
        elif thirteen and kind == APPLICATION_DATA:
            flight.sealed.append(data[at : at + 5 + length])
        elif not (thirteen and kind == CHANGE_CIPHER_SPEC):
            raise MalformedReply(f"TLS: record type {kind} in a first flight", at)
        at += 5 + length
    return flight


def _read_alert(flight: Flight, body: bytes, at: int) -> None:
    if len(body) != 2:
        raise MalformedReply(f"TLS: alert of {len(body)} bytes", at)
    level, number = body
    # close_notify is a warning by level and an end by meaning; no_certificate and the rest of the warnings are neither.
    if level == 1 and number != 0:
        flight.warnings.append(number)
        if len(flight.warnings) > 16:
            raise MalformedReply("TLS: nothing but warnings", at)
        return
    flight.alert = (level, number)
    flight.done = True


def _read_messages(flight: Flight, data: bytes, at: int) -> bytes:
    """Read every whole message; return what is left of the last."""
    while len(data) >= 4 and not flight.done:
        length = int.from_bytes(data[1:4], "big")
        if length > MESSAGE_LIMIT:
            raise MalformedReply(f"TLS: message of {length} bytes", at)
        if len(data) < 4 + length:
            break
        _read_message(flight, data[0], data[4 : 4 + length], data[: 4 + length])
        data = data[4 + length :]
    return data


def _read_message(flight: Flight, kind: int, body: bytes, raw: bytes) -> None:
    if kind == 2:
        if flight.hello is not None:
            raise MalformedReply("TLS: a second ServerHello")
        flight.hello = _server_hello(body, raw)
        flight.done = flight.hello.retry
    elif flight.hello is None:
        if kind != 0:  # a HelloRequest may come at any time
            raise MalformedReply(f"TLS: message {kind} before ServerHello")
    elif kind == 11:
        flight.chain, flight.left_out = read_chain(body)
    elif kind == 12:
        _server_key_exchange(flight, body)
    elif kind == 13:
        flight.certificate_requested = True
    elif kind == 14:
        flight.done = True


def _server_hello(body: bytes, raw: bytes) -> ServerHello:
    reader = Reader(body)
    version = reader.number(2)
    random = reader.take(32)
    if len(session := reader.vector(1)) > 32:
        raise MalformedReply(f"TLS: session id of {len(session)} bytes")
    suite = reader.number(2)
    compression = reader.number(1)
    extensions: dict[int, bytes] = {}
    if reader.left:
        inner = Reader(reader.vector(2))
        while inner.left:
            number = inner.number(2)
            if number in extensions:
                raise MalformedReply(f"TLS: extension {number} twice")
            extensions[number] = inner.vector(2)
    reader.end()
    if 43 in extensions:
        version = Reader(extensions[43]).number(2)
    retry = random == _RETRY
    group, share = None, b""
    if version >= TLS13 and 51 in extensions:
        shared = Reader(extensions[51])
        group = shared.number(2)
        share = b"" if retry else shared.vector(2)
    if version not in VERSION_NAMES:
        raise MalformedReply(f"TLS: version 0x{version:04X}")
    return ServerHello(
        version=version,
        suite=suite,
        compression=compression,
        extensions=extensions,
        retry=retry,
        group=group,
        share=share,
        raw=raw,
    )


def read_client_hello(data: bytes) -> ClientHello | None:
    """Read the hello that a client begins with; None as long as it is not all there. Of its names and keys nothing is kept.

    Raises:
        MalformedReply: It is none, or breaks TLS.

    Source: RFC 5246 section 7.4.1.2; RFC 8446 sections 4.1.2 and 5.1.
    """
    message, at = b"", 0
    while len(message) < 4 or len(message) < 4 + int.from_bytes(message[1:4], "big"):
        if data[at : at + 1] not in (b"", bytes((HANDSHAKE,))) or data[at + 1 : at + 2] not in (b"", b"\x03"):
            raise MalformedReply("TLS: no record of a handshake", at)
        length = int.from_bytes(data[at + 3 : at + 5], "big")
        if length > RECORD_LIMIT or len(message) > MESSAGE_LIMIT:
            raise MalformedReply(f"TLS: record of {length} bytes", at)
        if len(data) < at + 5 + max(length, 1):
            return None
        message += data[at + 5 : at + 5 + length]
        at += 5 + length
    reader = Reader(message)
    if reader.number(1) != 1:
        raise MalformedReply("TLS: no ClientHello")
    body = Reader(reader.vector(3))
    highest, random, session = body.number(2), body.take(32), body.vector(1)
    suites = _numbers(body.vector(2))
    compression = body.vector(1)
    extensions: dict[int, bytes] = {}
    if body.left:
        inner = Reader(body.vector(2))
        while inner.left:
            number = inner.number(2)
            extensions[number] = inner.vector(2)
    body.end()
    offered = sorted(v for v in VERSION_NAMES if SSL3 <= v <= min(highest, TLS12))[::-1]
    if 43 in extensions:
        told = _numbers(Reader(extensions[43]).vector(1))
        offered = sorted((v for v in told if v in VERSION_NAMES), reverse=True)
    if not offered:
        raise MalformedReply(f"TLS: version 0x{highest:04X} is offered")
    shares = []
    if 51 in extensions:
        listed = Reader(Reader(extensions[51]).vector(2))
        while listed.left:
            shares.append((listed.number(2), listed.vector(2)))
    return ClientHello(
        versions=tuple(offered),
        suites=suites,
        random=random,
        session=session,
        groups=_numbers(Reader(extensions[10]).vector(2)) if 10 in extensions else (),
        key_shares=tuple((group, b"") for group, _ in shares),
        compression=1 in compression,
        extensions=bool(extensions),
        answerable=frozenset(extensions),
    )


def _numbers(data: bytes) -> tuple[int, ...]:
    """Numbers of two octets."""
    return tuple(int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data) - 1, 2))


def broken_rule(offer: ClientHello, hello: ServerHello, *, retried: bool = False) -> str | None:
    """Say which rule a ServerHello breaks, None where it keeps them.

    Args:
        retried: The offer answers a HelloRetryRequest.

    Source: RFC 5246 section 7.4.1.3; RFC 5746 section 3.4; RFC 8446 sections 4.1.3, 4.1.4 and 4.2.8.
    """
    ranged = offer.versions[0] < TLS13 and hello.version < offer.versions[0]  # a range reaches down
    if hello.version not in offer.versions and not ranged:
        return f"{VERSION_NAMES[hello.version]} was not offered"
    if hello.suite not in offer.suites or hello.suite in SIGNALS:
        return f"suite 0x{hello.suite:04X} was not offered"
    if is_tls13(hello.suite) != (hello.version >= TLS13):
        return f"suite 0x{hello.suite:04X} is not one of {VERSION_NAMES[hello.version]}"
    if hello.compression not in (0, 1) or (hello.compression and not offer.compression):
        return f"compression {hello.compression} was not offered"
    for number, content in _HOLDS.items():
        if hello.extensions.get(number, content) != content:
            return f"extension {number} holds what it must not"
    if hello.version < TLS13:
        return None
    shared = [group for group, _ in offer.key_shares]
    if hello.retry:
        if retried:
            return "a second HelloRetryRequest"
        if hello.group is not None and hello.group not in offer.groups:
            return f"group 0x{hello.group:04X} was not offered"
        if hello.group in shared:
            return "a retry for the group that was shared already"
    elif hello.group not in shared:
        return "no key share of a group that was shared"
    return None


def read_chain(body: bytes, thirteen: bool = False) -> tuple[list[bytes], int]:
    """Read a Certificate message: the certificates kept, and how many were beyond the bounds.

    Raises:
        MalformedReply: Lengths do not add up.
    """
    reader = Reader(body)
    if thirteen:
        reader.vector(1)
    entries = Reader(reader.vector(3))
    reader.end()
    kept: list[bytes] = []
    left_out = 0
    while entries.left:
        certificate = entries.vector(3)
        if thirteen:
            entries.vector(2)
        if len(kept) < CHAIN_LIMIT and len(certificate) <= CERTIFICATE_LIMIT:
            kept.append(certificate)
        else:
            left_out += 1
    return kept, left_out


def _server_key_exchange(flight: Flight, body: bytes) -> None:
    """Read group or curve; the signature after it is not ours to check.

    Source: RFC 5246 section 7.4.3, RFC 8422 section 5.4, RFC 4279 (hint first with PSK).
    """
    assert flight.hello is not None
    name = suites().get(flight.hello.suite, "")
    reader = Reader(body)
    if "PSK" in name:
        reader.vector(2)
    if "ECDHE_" in name or "ECDH_anon" in name:
        curve_type = reader.number(1)
        flight.group = reader.number(2) if curve_type == 3 else -1
    elif "DHE_" in name or "DH_anon" in name:
        flight.dh_bits = int.from_bytes(reader.vector(2), "big").bit_length()
    elif "RSA_EXPORT" in name:
        flight.rsa_bits = int.from_bytes(reader.vector(2), "big").bit_length()


def _vector(size: int, data: bytes) -> bytes:
    return len(data).to_bytes(size, "big") + data


def _extension(number: int, data: bytes) -> bytes:
    return struct.pack(">H", number) + _vector(2, data)


def _shorts(codes: Iterable[int]) -> bytes:
    return b"".join(struct.pack(">H", code) for code in codes)


def _literal(name: str) -> bool:
    """RFC 6066 section 3: literal addresses are no server names."""
    try:
        ip_address(name)
    except ValueError:
        return False
    return True
