"""Read responses of DNS, as name servers, multicast DNS and LLMNR write them: bytes to values, no sockets.

A message is read whole or not at all: every count, name and length has to fit, and nothing may follow. Types that nothing here
needs are stepped over by their length.

Source: RFC 1035 sections 3.3 and 4.1; RFC 3596 section 2.2; RFC 4795 section 2.1.1; RFC 6762 section 18.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import ip_address

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import readable

TYPES = {
    "A": 1,
    "CNAME": 5,
    "PTR": 12,
    "TXT": 16,
    "AAAA": 28,
    "ANY": 255,
}  # RFC 1035 sections 3.2.2 and 3.2.3, RFC 3596
SIZE_CAP = 9000  # bytes; RFC 6762 section 17 allows no larger packet
MOST_ALIASES = 8  # one after the other, in one response
NAME_LIMIT = 255  # octets of a name, RFC 1035 section 2.3.4
_ADDRESSES = {TYPES["A"]: 4, TYPES["AAAA"]: 16}
_HEADER = struct.Struct(">6H")
_RECORD = struct.Struct(">HHIH")
_RESPONSE, _OPCODE = 0x8000, 0x7800


@dataclass(frozen=True)
class Record:
    """One resource record.

    Attributes:
        data: What a PTR or CNAME points at, device text; the address of an A or AAAA; "" for other types.
        strings: The strings of a TXT record.
    """

    name: str
    type: int
    data: str = ""
    strings: tuple[bytes, ...] = ()


def decode(data: bytes, *idents: int, answers_only: bool = False) -> tuple[Record, ...]:
    """Read the records of a response.

    Args:
        answers_only: Leave out the authority and additional sections, which name other hosts.
        idents: Those that the response may have: ours, and 0 as multicast responders write it (RFC 6762 section 18.1).

    Raises:
        MalformedReply: No DNS, no response, or the answer to another question.
    """
    if len(data) > SIZE_CAP:
        raise MalformedReply(f"DNS response of {len(data)} bytes")
    try:
        ident, flags, questions, *counts = _HEADER.unpack_from(data)
        if not flags & _RESPONSE or flags & _OPCODE:
            raise MalformedReply("DNS message that is no response")
        if ident not in idents:
            raise MalformedReply("DNS response to another question")
        at = _HEADER.size
        for _ in range(questions):
            at = read_name(data, at)[1] + 4
        records = []
        for _ in range(sum(counts)):
            record, at = _record(data, at)
            records.append(record)
    except (struct.error, IndexError):
        raise MalformedReply("DNS response that ends too early", len(data)) from None
    if at != len(data):
        raise MalformedReply(f"DNS response of {at} bytes in {len(data)}", at)
    return tuple(records[: counts[0]] if answers_only else records)


def addresses(data: bytes, name: str, ident: int) -> tuple[str, ...]:
    """The addresses that a name server gives for a name, directly or by aliases (RFC 1034 section 3.6.2).

    Raises:
        MalformedReply: As for `decode`, or the server reports an error other than that there is no such name.
    """
    records = decode(data, ident, answers_only=True)
    code = data[3] & 0x0F  # RFC 1035 section 4.1.1
    if code not in (0, 3):
        raise MalformedReply(f"DNS response with error {code}")
    names = {_folded(name)}
    for _ in range(MOST_ALIASES):
        names |= {_folded(r.data) for r in records if r.type == TYPES["CNAME"] and _folded(r.name) in names}
    found = [r.data for r in records if r.type in _ADDRESSES and _folded(r.name) in names]
    return tuple(dict.fromkeys(found))


def _folded(name: str) -> str:
    return name.rstrip(".").lower()


def _record(data: bytes, at: int) -> tuple[Record, int]:
    name, at = read_name(data, at)
    kind, _, _, length = _RECORD.unpack_from(data, at)
    at += _RECORD.size
    end = at + length
    if end > len(data):
        raise MalformedReply(f"DNS record of {length} bytes", at)
    if kind in (TYPES["PTR"], TYPES["CNAME"]):
        target, last = read_name(data, at)
        if last != end:
            raise MalformedReply("DNS pointer record whose length is not that of its name", at)
        return Record(name, kind, target), end
    if kind == TYPES["TXT"]:
        return Record(name, kind, strings=_strings(data[at:end])), end
    if kind in _ADDRESSES:
        if length != _ADDRESSES[kind]:
            raise MalformedReply(f"DNS address of {length} bytes", at)
        return Record(name, kind, str(ip_address(data[at:end]))), end
    return Record(name, kind), end


def _strings(data: bytes) -> tuple[bytes, ...]:
    """Strings behind their lengths. None at all is taken too, as RFC 6763 section 6.1 has it."""
    found, at = [], 0
    while at < len(data):
        end = at + 1 + data[at]
        if end > len(data):
            raise MalformedReply(f"DNS string of {data[at]} bytes")
        found.append(data[at + 1 : end])
        at = end
    return tuple(found)


def read_name(data: bytes, at: int) -> tuple[str, int]:
    """Read a name, and say where it ends. Dots and backslashes inside a label are escaped (RFC 1035 section 5.1).

    A pointer leads to a prior occurrence (section 4.1.4): behind the header, before the name that it ends, and never in a circle.

    Raises:
        MalformedReply: It is none.
        IndexError: The bytes end too early.
    """
    labels: list[str] = []
    begin = prior = at
    octets, end, limit = 1, 0, len(data)
    while size := data[at]:
        if size >= 0xC0:
            target = (size & 0x3F) << 8 | data[at + 1]
            if not _HEADER.size <= target < prior:
                raise MalformedReply("DNS name whose pointer leads to no prior name", at)
            end, prior, at, limit = end or at + 2, target, target, begin
            continue
        octets += 1 + size
        if size > 63 or octets > NAME_LIMIT:
            raise MalformedReply("DNS name with a label that is none, or of too many octets", at)
        if at + 1 + size >= limit:
            raise MalformedReply(
                "DNS name whose pointer leads to no prior name" if end else "DNS name that is cut off", at
            )
        label = data[at + 1 : at + 1 + size]
        labels.append(readable(label.replace(b"\\", b"\\\\").replace(b".", b"\\.")))
        at += 1 + size
    return ".".join(labels) + ".", end or at + 1
