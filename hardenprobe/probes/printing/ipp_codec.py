"""IPP messages, without a connection: requests that only read, and responses from anybody.

Only what `Operation` lists can be written. Responses are taken apart under bounds; the members of a collection are read as
"collection.member", those of a collection inside it are stepped over.

Source: RFC 8010 section 3 (encoding); RFC 8011 section 5.4.15 and PWG 5100.22 (operations).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import readable

MEDIA_TYPE = "application/ipp"
MOST_VALUES = (
    10_000  # of all attributes of one message; a full answer of a large device has some two thousand
)
LONGEST_TEXT = 1023  # octets; RFC 8011 section 5.1.2: no text is longer


class Operation(IntEnum):
    """What may be sent: operations that read."""

    GET_JOB_ATTRIBUTES = 0x0009
    GET_JOBS = 0x000A
    GET_PRINTER_ATTRIBUTES = 0x000B
    GET_SYSTEM_ATTRIBUTES = 0x005B


class Group(IntEnum):
    """Delimiter tags (RFC 8010 section 3.5.1; PWG 5100.22 for that of a system)."""

    OPERATION = 0x01
    JOB = 0x02
    END = 0x03
    PRINTER = 0x04
    UNSUPPORTED = 0x05
    SYSTEM = 0x0A


class Tag(IntEnum):
    """Value tags (RFC 8010 section 3.5.2)."""

    UNSUPPORTED = 0x10
    UNKNOWN = 0x12
    NO_VALUE = 0x13
    INTEGER = 0x21
    BOOLEAN = 0x22
    ENUM = 0x23
    BEGIN_COLLECTION = 0x34
    TEXT_WITH_LANGUAGE = 0x35
    NAME_WITH_LANGUAGE = 0x36
    END_COLLECTION = 0x37
    TEXT = 0x41
    NAME = 0x42
    KEYWORD = 0x44
    URI = 0x45
    CHARSET = 0x47
    NATURAL_LANGUAGE = 0x48
    MIME_MEDIA_TYPE = 0x49
    MEMBER_NAME = 0x4A


Value = int | bool | str | bytes | None
Attribute = tuple[Tag, str, Sequence[int | bool | str]]
FIRST_VALUE_TAG = 0x10


@dataclass(frozen=True, kw_only=True)
class Message:
    """A message taken apart.

    Attributes:
        code: operation-id of a request, status-code of a response.
        groups: Delimiter tag and attributes by name, in the order they came; text is device text. None is a value that
            is out of band: unsupported, unknown or no-value.
    """

    version: tuple[int, int]
    code: int
    request_id: int
    groups: tuple[tuple[int, Mapping[str, tuple[Value, ...]]], ...] = field(default=())

    def of(self, group: Group) -> list[Mapping[str, tuple[Value, ...]]]:
        """The attributes of every group of one kind."""
        return [attributes for tag, attributes in self.groups if tag == group]


def encode_request(
    operation: Operation,
    request_id: int,
    uri: str,
    more: Iterable[Attribute] = (),
    *,
    language: str = "en",
    target: str = "printer-uri",
    version: tuple[int, int] = (1, 1),
) -> bytes:
    """Write a request that reads.

    Args:
        more: Operation attributes after the three that every request has.
        target: What the address is that the operation is for: "printer-uri" or "system-uri".

    Raises:
        ValueError: The operation is none of `Operation`, or a value cannot be written.

    >>> encode_request(Operation.GET_JOBS, 1, "ipp://x/").hex()[:16]
    '0101000a00000001'
    """
    head = struct.pack(">BBHI", *version, Operation(operation), request_id)
    return head + encode_group(
        Group.OPERATION,
        (
            (Tag.CHARSET, "attributes-charset", ["utf-8"]),
            (Tag.NATURAL_LANGUAGE, "attributes-natural-language", [language]),
            (Tag.URI, target, [uri]),
            *more,
        ),
    ) + bytes([Group.END])  # fmt: skip


def encode_group(group: Group, attributes: Iterable[Attribute]) -> bytes:
    """Write a group of attributes with its tag (RFC 8010 section 3.1.2 to 3.1.5).

    Raises:
        ValueError: A name or value is too long, or a number too large.
    """
    out = bytearray([group])
    for tag, name, values in attributes:
        for value in values:
            try:
                data = _written(value)
                out += struct.pack(">BH", tag, len(name)) + name.encode("ascii")
                out += struct.pack(">H", len(data)) + data
            except struct.error as exc:
                raise ValueError(f"IPP attribute {name!r} cannot be written: {exc}") from None
            name = ""  # a further value of the same attribute
    return bytes(out)


def _written(value: int | bool | str) -> bytes:
    if isinstance(value, bool):
        return struct.pack(">?", value)
    return struct.pack(">i", value) if isinstance(value, int) else value.encode()


def decode(data: bytes) -> Message:
    """Take a message apart; what follows the end tag is left alone.

    Raises:
        MalformedReply: It ends early, has no end tag, or holds more than any device has to say.
    """
    if len(data) < 9:
        raise MalformedReply(f"IPP message of {len(data)} bytes")
    major, minor, code, request_id = struct.unpack_from(">BBHI", data)
    made: list[tuple[int, dict[str, list[Value]]]] = []
    here: dict[str, list[Value]] | None = None
    name, member, at, depth, count = "", "", 8, 0, 0
    while True:
        if at >= len(data):
            raise MalformedReply("IPP message without an end")
        tag = data[at]
        at += 1
        if tag == Group.END:
            break
        if tag < FIRST_VALUE_TAG:
            here, name, depth = {}, "", 0
            made.append((tag, here))
            continue
        if here is None:
            raise MalformedReply("IPP attribute outside of a group")
        count += 1
        if count > MOST_VALUES:
            raise MalformedReply(f"IPP message of more than {MOST_VALUES} values")
        given, at = _piece(data, at)
        value, at = _piece(data, at)
        if given:
            name, depth = readable(given, 255), 0
            here.setdefault(name, [])
        elif not name:
            raise MalformedReply("IPP value without a name")
        if tag == Tag.BEGIN_COLLECTION:
            depth += 1
        elif tag == Tag.END_COLLECTION:
            depth = max(0, depth - 1)
        elif depth == 0:
            here[name].append(_read(tag, value))
        elif depth == 1 and tag == Tag.MEMBER_NAME:
            member = readable(value, 255)
        elif depth == 1:
            here.setdefault(f"{name}.{member}", []).append(_read(tag, value))
    groups = tuple((tag, {name: tuple(values) for name, values in group.items()}) for tag, group in made)
    return Message(version=(major, minor), code=code, request_id=request_id, groups=groups)


def _piece(data: bytes, at: int) -> tuple[bytes, int]:
    """Two octets of length, and as many octets."""
    if at + 2 > len(data):
        raise MalformedReply("IPP message that ends in a length")
    end = at + 2 + int.from_bytes(data[at : at + 2], "big")
    if end > len(data):
        raise MalformedReply("IPP message that ends in a value")
    return data[at + 2 : end], end


def _read(tag: int, value: bytes) -> Value:
    """A value by its tag; bytes where its syntax is of no interest here, or its length is wrong."""
    if tag < Tag.INTEGER:
        return None
    if tag in (Tag.INTEGER, Tag.ENUM) and len(value) == 4:
        return int.from_bytes(value, "big", signed=True)
    if tag == Tag.BOOLEAN and len(value) == 1:
        return value != b"\0"
    if tag in (Tag.TEXT_WITH_LANGUAGE, Tag.NAME_WITH_LANGUAGE):
        try:
            _, at = _piece(value, 0)
            return readable(_piece(value, at)[0], LONGEST_TEXT)
        except MalformedReply:
            return value
    return readable(value, LONGEST_TEXT) if Tag.TEXT <= tag <= Tag.MEMBER_NAME else value


def texts(attributes: Mapping[str, tuple[Value, ...]], name: str) -> tuple[str, ...]:
    """The values of an attribute that are text, stripped; empty ones are kept, since positions count."""
    return tuple(v.strip() for v in attributes.get(name, ()) if isinstance(v, str))


def numbers(attributes: Mapping[str, tuple[Value, ...]], name: str) -> tuple[int, ...]:
    """The values of an attribute that are numbers."""
    return tuple(v for v in attributes.get(name, ()) if isinstance(v, int) and not isinstance(v, bool))
