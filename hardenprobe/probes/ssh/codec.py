"""SSH before encryption: identification, binary packets and KEXINIT, as bytes and values. No socket in here.

Source: RFC 4251 section 5 (data types); RFC 4253 sections 4.2, 6 and 7.1.
"""

from __future__ import annotations

import re
import secrets
import struct
from dataclasses import dataclass

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import readable

DISCONNECT, IGNORE, UNIMPLEMENTED, DEBUG, KEXINIT = 1, 2, 3, 4, 20  # RFC 4250 section 4.1.2

IDENTIFICATION_LIMIT = 255  # bytes with CR LF, RFC 4253 section 4.2
GREETING_LIMIT = 8192  # bytes of lines that may come before it
PACKET_LIMIT = 35000  # bytes that every implementation must take, RFC 4253 section 6.1
NAME_LIMIT = 64  # characters, RFC 4251 section 6
NAMES_LIMIT = 256  # in one list; real ones hold a few dozen

_IDENTIFICATION = re.compile(rb"SSH-(\d{1,3}\.\d{1,3})-([^ \r\n]*)(?: (.*))?", re.DOTALL)
_NAME = re.compile(rb"[!-+\--~]+")  # printable US-ASCII without comma


@dataclass(frozen=True)
class Identification:
    """An identification string.

    Attributes:
        line: As sent, without its end; the exchange hash holds it.
    """

    line: bytes
    protocol: str
    software: str
    comments: str

    @property
    def both(self) -> bool:
        """Protocol 2 may be spoken: it is the only one, or 1.x beside it."""
        return self.protocol == "1.99" or not self.protocol.startswith("1.")


def identification(data: bytes) -> tuple[Identification, int] | None:
    """Read the identification string, past lines that may come first.

    Returns:
        The string and how many bytes it took with what came before it; None while its line is not complete.

    Raises:
        MalformedReply: No such line within the limits.

    Source: RFC 4253 section 4.2; a lone LF is taken too, as section 5.1 allows of old peers.

    >>> identification(b"welcome\\r\\nSSH-2.0-x_1 hello\\r\\n")[0].comments
    'hello'
    """
    start = 0
    while (end := data.find(b"\n", start)) >= 0:
        line = data[start:end].removesuffix(b"\r")
        start = end + 1
        if line.startswith(b"SSH-"):
            return _identified(line), start
        if start > GREETING_LIMIT:
            break
    if start > GREETING_LIMIT or len(data) - start > GREETING_LIMIT:
        raise MalformedReply("no SSH identification in what came first", start)
    return None


def _identified(line: bytes) -> Identification:
    found = _IDENTIFICATION.fullmatch(line)
    if found is None or len(line) + 2 > IDENTIFICATION_LIMIT or b"\0" in line:
        raise MalformedReply("SSH identification that cannot be read")
    return Identification(
        line=line, protocol=found[1].decode(), software=readable(found[2]), comments=readable(found[3] or b"")
    )


class Reader:
    """Takes the data types of RFC 4251 section 5 from a message, one after the other.

    Every method raises MalformedReply where the message ends too soon.
    """

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def take(self, count: int) -> bytes:
        if count > len(self._data) - self._at:
            raise MalformedReply(f"SSH message ends {count} bytes too soon", self._at)
        self._at += count
        return self._data[self._at - count : self._at]

    def byte(self) -> int:
        return self.take(1)[0]

    def uint32(self) -> int:
        return int.from_bytes(self.take(4), "big")

    def string(self) -> bytes:
        return self.take(self.uint32())

    def mpint(self) -> int:
        """A multiple precision integer, two's complement."""
        return int.from_bytes(self.string(), "big", signed=True)

    def names(self) -> tuple[str, ...]:
        """A name-list. Empty names, which are forbidden, are skipped."""
        parts = [part for part in self.string().split(b",") if part]
        if len(parts) > NAMES_LIMIT:
            raise MalformedReply(f"SSH name-list of {len(parts)} names")
        if any(len(part) > NAME_LIMIT or not _NAME.fullmatch(part) for part in parts):
            raise MalformedReply("SSH name-list with something that is no name")
        return tuple(part.decode() for part in parts)

    def end(self) -> None:
        if self._at != len(self._data):
            raise MalformedReply(f"SSH message with {len(self._data) - self._at} bytes too many", self._at)


def string(data: bytes) -> bytes:
    """
    >>> string(b"testing").hex()
    '0000000774657374696e67'
    """
    return struct.pack(">I", len(data)) + data


def mpint(value: int) -> bytes:
    """
    >>> mpint(0x80).hex()
    '000000020080'
    """
    if value == 0:
        return string(b"")
    length = (value if value > 0 else ~value).bit_length() // 8 + 1
    return string(value.to_bytes(length, "big", signed=True))


def names(of: tuple[str, ...]) -> bytes:
    """
    >>> names(("zlib", "none")).hex()
    '000000097a6c69622c6e6f6e65'
    """
    return string(",".join(of).encode())


def packet(payload: bytes) -> bytes:
    """Frame a message, unencrypted and without MAC (RFC 4253 section 6)."""
    padding = 8 - (len(payload) + 5) % 8
    if padding < 4:
        padding += 8
    head = struct.pack(">IB", len(payload) + padding + 1, padding)
    return head + payload + secrets.token_bytes(padding)


def unpack(data: bytes) -> tuple[bytes, int] | None:
    """Take one unencrypted packet.

    Returns:
        Its payload and how many bytes it took; None while it is not complete.

    Raises:
        MalformedReply: Its lengths cannot be.
    """
    if len(data) < 5:
        return None
    length, padding = struct.unpack(">IB", data[:5])
    if not padding + 2 <= length <= PACKET_LIMIT:
        raise MalformedReply(f"SSH packet of {length} bytes with {padding} of padding")
    if len(data) < 4 + length:
        return None
    return data[5 : 4 + length - padding], 4 + length


@dataclass(frozen=True, kw_only=True)
class KexInit:
    """The name-lists of a KEXINIT, in the order of RFC 4253 section 7.1."""

    key_exchanges: tuple[str, ...]
    host_keys: tuple[str, ...]
    ciphers_to_server: tuple[str, ...]
    ciphers_to_client: tuple[str, ...]
    macs_to_server: tuple[str, ...]
    macs_to_client: tuple[str, ...]
    compressions_to_server: tuple[str, ...]
    compressions_to_client: tuple[str, ...]
    languages_to_server: tuple[str, ...] = ()
    languages_to_client: tuple[str, ...] = ()
    guesses: bool = False

    def encode(self) -> bytes:
        """Write the message, with a cookie of its own."""
        lists = b"".join(names(getattr(self, name)) for name in _LISTS)
        return bytes([KEXINIT]) + secrets.token_bytes(16) + lists + bytes([self.guesses]) + bytes(4)


_LISTS = tuple(name for name in KexInit.__dataclass_fields__ if name != "guesses")


def kexinit(payload: bytes) -> KexInit:
    """Read a KEXINIT message.

    Raises:
        MalformedReply: It is none, or breaks the format.
    """
    reader = Reader(payload)
    if reader.byte() != KEXINIT:
        raise MalformedReply("SSH message that is no KEXINIT")
    reader.take(16)
    lists = {name: reader.names() for name in _LISTS}
    guesses = bool(reader.byte())
    reader.uint32()
    reader.end()
    return KexInit(**lists, guesses=guesses)


def disconnect(why: str) -> bytes:
    """Write a DISCONNECT, SSH_DISCONNECT_BY_APPLICATION (RFC 4253 section 11.1)."""
    return bytes([DISCONNECT]) + struct.pack(">I", 11) + string(why.encode()) + string(b"")
