"""Reads flow records from an IPFIX file: IPFIX messages one after the other (RFC 5655 section 4), each of templates and
records that templates describe (RFC 7011).

Of a record are read addresses, ports, transport, times, octets and packets, and the same of the way back where both ways are
in one record (RFC 5103). Everything announced is bounded. A message that cannot be read ends the reading with a notice.

Information elements by number: the IANA registry "IP Flow Information Export (IPFIX) Entities".
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from operator import itemgetter
from typing import Any, NamedTuple

from hardenprobe.errors import FileInvalid, MalformedReply
from hardenprobe.usage.files import Input

VERSION = 10
TEMPLATES = 4096  # at once, over all observation domains
FIELDS = 256  # of one template
DOMAINS = 1024  # observation domains of one file
_REVERSE = 29305  # enterprise number of the way back, RFC 5103 section 6.1
_VARIABLE = 0xFFFF
_NTP = 2_208_988_800  # seconds from 1900 to 1970, RFC 5905 section 6

_OCTETS, _PACKETS = (1, 85), (2, 86)  # of this record, or in all
_PROTOCOL, _SOURCE_PORT, _TARGET_PORT = 4, 7, 11
_SOURCE, _TARGET = (8, 27), (12, 28)
_SINCE_START = (22, 21)  # milliseconds since the exporter started
_SECONDS, _MILLISECONDS = (150, 151), (152, 153)
_MICROSECONDS, _NANOSECONDS = (
    (154, 155),
    (156, 157),
)  # NTP timestamps both, RFC 7011 sections 6.1.9 and 6.1.10
_BEFORE_EXPORT = (158, 159)  # microseconds before the message was exported
_STARTED = 160  # milliseconds since 1970
_DURATION = (161, 162)  # milliseconds, microseconds
_DIRECTION = 239
_SAMPLED = (34, 305)  # of so many packets one
_PLAIN = frozenset(
    (
        *_SOURCE,
        *_TARGET,
        _SOURCE_PORT,
        _TARGET_PORT,
        _PROTOCOL,
        *_OCTETS,
        *_PACKETS,
        *_MILLISECONDS,
        *_SECONDS,
    )
)
_SPECIAL = frozenset((_STARTED, _DIRECTION, *_SAMPLED))


class FlowRecord(NamedTuple):
    """What an exporter counted of one flow.

    Attributes:
        source, target: Packed addresses.
        first, last: Seconds since 1970.
        octets, packets: From source to target; octets of IP packets.
        octets_back, packets_back: The other way, where both are in one record; None where they are not.
        direction: Who began, by biflowDirection (RFC 5103 section 6.3): 1 the source, 2 the target, 0 not said.
    """

    source: bytes
    target: bytes
    source_port: int
    target_port: int
    protocol: int
    first: float
    last: float
    octets: int
    packets: int
    octets_back: int | None = None
    packets_back: int | None = None
    direction: int = 0


class _Field(NamedTuple):
    element: int
    length: int
    enterprise: int


class _Template(NamedTuple):
    fields: tuple[_Field, ...]
    least: int  # octets of a record at least
    options: bool
    layout: _Layout | None  # of records that all have one length and the plain fields


class _Layout(NamedTuple):
    """Records whose fields lie where they lie in the first: nearly all there are, read at once.

    Attributes:
        pick: Puts what is unpacked into the order of FlowRecord.
        scale: Units of its times in a second.
    """

    records: struct.Struct
    pick: Callable[[tuple[Any, ...]], tuple[Any, ...]]
    scale: float


class FlowFile:
    """An IPFIX file that is being read.

    Attributes:
        lost: Records that its sequence numbers say are missing (RFC 7011 section 3.1).
        sampled: Of so many packets one was seen, the most of what it says; 1 where it says nothing.
        untold: Records without the addresses, ports or times that are needed here.
        unknown: Sets of records whose template was not there.
        fault: Why the reading ended before the file did, None where it did not.
    """

    def __init__(self, file: Input) -> None:
        self._file = file
        self.lost = self.untold = self.unknown = 0
        self.sampled = 1
        self.fault: str | None = None
        self._templates: dict[tuple[int, int], _Template] = {}
        self._next: dict[int, int] = {}  # domain to the sequence number that should come
        self._started: dict[int, float] = {}  # domain to when its exporter started, seconds since 1970

    def records(self) -> Iterator[FlowRecord]:
        """The records, in the order of the file.

        Raises:
            FileInvalid: It is no IPFIX file.
        """
        count = 0
        while head := self._file.read(16):
            version, length, exported, sequence, domain = struct.unpack("!HHIII", head.ljust(16, b"\0"))
            if len(head) < 16 or version != VERSION or length < 16:
                if not count:
                    raise FileInvalid(
                        self._file.name, None, "is no IPFIX file: it does not begin with a message"
                    )
                self.fault = self._file.damage or f"what follows message {count} is none"
                return
            body = self._file.read(length - 16)
            if len(body) < length - 16:
                self.fault = self._file.damage or f"it ends inside of message {count + 1}"
                return
            count += 1
            try:
                yield from self._message(body, float(exported), sequence, domain)
            except MalformedReply as exc:
                self.fault = f"message {count} cannot be read: {exc}"
                return
        self.fault = self._file.damage

    def _plain(self, part: bytes, layout: _Layout) -> Iterator[FlowRecord]:
        pick, scale = layout.pick, layout.scale
        whole = len(part) // layout.records.size * layout.records.size
        for values in layout.records.iter_unpack(memoryview(part)[:whole]):
            source, target, here, there, protocol, first, last, octets, packets = pick(values)
            if first > last:
                first, last = last, first
            yield FlowRecord(
                source, target, here, there, protocol, first / scale, last / scale, octets, packets
            )

    def _message(self, body: bytes, exported: float, sequence: int, domain: int) -> Iterator[FlowRecord]:
        expected = self._next.get(domain)
        if expected is not None and 0 < (missing := (sequence - expected) % (1 << 32)) < 1 << 31:
            self.lost += missing
        at, records = 0, 0
        while at + 4 <= len(body):
            number, length = struct.unpack_from("!HH", body, at)
            if length < 4 or at + length > len(body):
                raise MalformedReply(f"a set of {length} octets", at)
            part = body[at + 4 : at + length]
            at += length
            if number in (2, 3):
                self._learn(part, domain, options=number == 3)
            elif number >= 256 and (known := self._templates.get((domain, number))) and known.layout:
                records += len(part) // known.layout.records.size
                yield from self._plain(part, known.layout)
            elif number >= 256:
                for found in self._set(part, domain, number):
                    records += 1
                    record = self._record(found, exported, domain)
                    if record is not None:
                        yield record
        if domain in self._next or len(self._next) < DOMAINS:
            self._next[domain] = (sequence + records) % (1 << 32)

    # ---- templates

    def _learn(self, part: bytes, domain: int, *, options: bool) -> None:
        at = 0
        while at + 4 <= len(part):
            number, count = struct.unpack_from("!HH", part, at)
            at += 4
            if number < 256:
                return  # padding
            if not count:
                self._templates.pop((domain, number), None)  # withdrawn, RFC 7011 section 8.1
                continue
            at += 2 if options else 0  # how many of the fields are its scope
            if count > FIELDS:
                raise MalformedReply(f"a template of {count} fields", at)
            fields = []
            for _ in range(count):
                if at + 4 > len(part):
                    raise MalformedReply("a template that ends inside of a field", at)
                element, length = struct.unpack_from("!HH", part, at)
                at += 4
                enterprise = 0
                if element & 0x8000:
                    if at + 4 > len(part):
                        raise MalformedReply("a template that ends inside of a field", at)
                    enterprise = struct.unpack_from("!I", part, at)[0]
                    at += 4
                if length:  # a field without an octet says nothing, and costs as much time as another
                    fields.append(_Field(element & 0x7FFF, length, enterprise))
            least = sum(1 if one.length == _VARIABLE else one.length for one in fields)
            if not least:
                raise MalformedReply("a template of records without an octet", at)
            if (domain, number) in self._templates or len(self._templates) < TEMPLATES:
                self._templates[domain, number] = _Template(
                    tuple(fields), least, options, None if options else _layout(fields)
                )

    # ---- records

    def _set(self, part: bytes, domain: int, number: int) -> Iterator[dict[tuple[int, int], bytes]]:
        """The records of a set: element and enterprise to what is there; of one that repeats the first counts."""
        template = self._templates.get((domain, number))
        if template is None:
            self.unknown += 1
            return
        at = 0
        while at + template.least <= len(part):
            found: dict[tuple[int, int], bytes] = {}
            for element, length, enterprise in template.fields:
                if length == _VARIABLE:
                    length, at = _length(part, at)
                if at + length > len(part):
                    raise MalformedReply("a record that ends outside of its set", at)
                found.setdefault((element, enterprise), part[at : at + length])
                at += length
            yield found

    def _record(self, found: dict[tuple[int, int], bytes], exported: float, domain: int) -> FlowRecord | None:
        number = {key: int.from_bytes(value, "big") for key, value in found.items() if len(value) <= 8}
        for element in _SAMPLED:
            self.sampled = max(self.sampled, number.get((element, 0), 1))
        if (_STARTED, 0) in number and (domain in self._started or len(self._started) < DOMAINS):
            self._started[domain] = number[_STARTED, 0] / 1000
        source = next((found[e, 0] for e in _SOURCE if len(found.get((e, 0), b"")) in (4, 16)), None)
        target = next((found[e, 0] for e in _TARGET if len(found.get((e, 0), b"")) in (4, 16)), None)
        times = self._times(found, number, exported, domain)
        ports = number.get((_SOURCE_PORT, 0)), number.get((_TARGET_PORT, 0))
        protocol = number.get((_PROTOCOL, 0))
        if source is None or target is None or times is None or protocol is None or None in ports:
            self.untold += (_SOURCE_PORT, 0) in found  # an option's record is about something else
            return None
        back = next((number[e, _REVERSE] for e in _OCTETS if (e, _REVERSE) in number), None)
        return FlowRecord(
            source=source,
            target=target,
            source_port=(ports[0] or 0) & 0xFFFF,
            target_port=(ports[1] or 0) & 0xFFFF,
            protocol=protocol,
            first=min(times),
            last=max(times),
            octets=next((number[e, 0] for e in _OCTETS if (e, 0) in number), 0),
            packets=next((number[e, 0] for e in _PACKETS if (e, 0) in number), 0),
            octets_back=back,
            packets_back=next((number[e, _REVERSE] for e in _PACKETS if (e, _REVERSE) in number), None),
            direction=number.get((_DIRECTION, 0), 0),
        )

    def _times(
        self,
        found: dict[tuple[int, int], bytes],
        number: dict[tuple[int, int], int],
        exported: float,
        domain: int,
    ) -> tuple[float, float] | None:
        """When a flow began and ended, from whichever pair of elements the record has."""

        def pair(elements: tuple[int, int]) -> tuple[int, int] | None:
            a, b = number.get((elements[0], 0)), number.get((elements[1], 0))
            return None if a is None or b is None else (a, b)

        if (both := pair(_MILLISECONDS)) is not None:
            return both[0] / 1000, both[1] / 1000
        if (both := pair(_SECONDS)) is not None:
            return float(both[0]), float(both[1])
        for elements in (_MICROSECONDS, _NANOSECONDS):
            if all(len(found.get((e, 0), b"")) == 8 for e in elements):
                first, last = (_ntp(found[e, 0]) for e in elements)
                return first, last
        if (both := pair(_BEFORE_EXPORT)) is not None:
            return exported - both[0] / 1e6, exported - both[1] / 1e6
        if (both := pair(_SINCE_START)) is not None:
            started = number.get((_STARTED, 0), 0) / 1000 or self._started.get(domain)
            if started:
                return started + both[0] / 1000, started + both[1] / 1000
        for start, unit in (((152, 0), 1000.0), ((150, 0), 1.0)):
            for element, part in zip(_DURATION, (1000.0, 1e6), strict=True):
                if start in number and (element, 0) in number:
                    first = number[start] / unit
                    return first, first + number[element, 0] / part
        return None


def _layout(fields: list[_Field]) -> _Layout | None:
    """How plain records are unpacked, None where one of their fields is read in another way."""
    sizes = {1: "B", 2: "H", 4: "I", 8: "Q"}
    places: dict[int, int] = {}
    form = "!"
    for one in fields:
        if one.length == _VARIABLE or one.element in _SPECIAL or one.enterprise == _REVERSE:
            return None
        if one.enterprise or one.element in places or one.element not in _PLAIN:
            form += f"{one.length}x"
        elif one.element in (*_SOURCE, *_TARGET):
            if one.length not in (4, 16):
                return None
            places[one.element] = len(places)
            form += f"{one.length}s"
        elif one.length == 2 if one.element in (_SOURCE_PORT, _TARGET_PORT) else one.length in sizes:
            places[one.element] = len(places)
            form += sizes[one.length]
        else:
            return None
    times = next((pair for pair in (_MILLISECONDS, _SECONDS) if set(pair) <= places.keys()), None)
    ends = [[e for e in some if e in places] for some in (_SOURCE, _TARGET, _OCTETS, _PACKETS)]
    others = (_SOURCE_PORT, _TARGET_PORT, _PROTOCOL)
    if times is None or not all(len(one) == 1 for one in ends) or not places.keys() >= set(others):
        return None
    (source,), (target,), (octets,), (packets,) = ends
    order = (source, target, *others, *times, octets, packets)
    scale = 1000.0 if times == _MILLISECONDS else 1.0
    return _Layout(struct.Struct(form), itemgetter(*(places[one] for one in order)), scale)


def _length(part: bytes, at: int) -> tuple[int, int]:
    """The length of a field that says its own, and where its octets begin (RFC 7011 section 7)."""
    if at >= len(part):
        raise MalformedReply("a record that ends outside of its set", at)
    if part[at] < 255:
        return part[at], at + 1
    if at + 3 > len(part):
        raise MalformedReply("a record that ends outside of its set", at)
    return int.from_bytes(part[at + 1 : at + 3], "big"), at + 3


def _ntp(value: bytes) -> float:
    seconds, part = struct.unpack("!II", value)
    return float(seconds - _NTP + part / (1 << 32))
