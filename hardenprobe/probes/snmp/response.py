"""Read what an SNMP agent answers, without I/O: the PDU of every version, and the message of versions 1 and 2c.

Source: RFC 1157 section 4.1, RFC 1901 section 3, RFC 3416 section 3.
"""

from __future__ import annotations

from dataclasses import dataclass

from hardenprobe.errors import MalformedReply
from hardenprobe.probes.snmp.ber import INTEGER, NULL, OBJECT_ID, OCTETS, SEQUENCE, Elements

VERSIONS = {"1": 0, "2c": 1}  # the wire's numbers, RFC 1157 section 4 and RFC 1901 section 3
RESPONSE, REPORT = 0xA2, 0xA8  # RFC 3416 section 3
_PDUS = (0xA0, 0xA1, RESPONSE, 0xA3, 0xA5, 0xA6, 0xA7, REPORT)  # the trap of RFC 1157 is built otherwise
MOST_BINDINGS = 64  # of one response; nothing asked here needs more
LONGEST_STRING = 65535  # RFC 3416 section 3

_ADDRESS, _OPAQUE = 0x40, 0x44
_WORDS = (0x41, 0x42, 0x43)  # counters, gauges and time ticks of 32 bits
_COUNTER64 = 0x46
_EXCEPTIONS = (0x80, 0x81, 0x82)  # noSuchObject, noSuchInstance, endOfMibView


@dataclass(frozen=True)
class Binding:
    """One value of a response.

    Attributes:
        octets: Of an OCTET STRING, an Opaque value or an IpAddress; None for any other type.
        number: Of an INTEGER, counter, gauge or time ticks; None for any other type.
        object_id: Of an OBJECT IDENTIFIER, None for any other type.
    """

    oid: str
    octets: bytes | None = None
    number: int | None = None
    object_id: str | None = None


@dataclass(frozen=True)
class Response:
    """A Response PDU; `bindings` has None where the view holds no value."""

    status: int
    index: int
    bindings: tuple[Binding | None, ...]

    @property
    def first_name(self) -> str | None:
        """The object of the first binding; None where there is no value."""
        return self.bindings[0].oid if self.bindings and self.bindings[0] else None


def decode(version: str, data: bytes, request_id: int) -> Response:
    """Read a Response of version 1 or 2c to our request.

    Raises:
        MalformedReply: No BER, no response, or the answer to another question.
    """
    message = Elements(data).inside(SEQUENCE)
    stated = message.integer()
    message.content(OCTETS)  # the community
    if stated != VERSIONS[version]:
        raise MalformedReply("SNMP reply of another version")
    return to_request(request_id, *pdu(message, version))


def heading(data: bytes) -> tuple[str, bytes, int, int]:
    """Read the beginning of a message of version 1 or 2c that somebody else sent.

    Returns:
        Version, community, the tag of its PDU, and the request-id.

    Raises:
        MalformedReply: It is none.
    """
    message = Elements(data).inside(SEQUENCE)
    stated, community = message.integer(), message.content(OCTETS)
    version = next((name for name, number in VERSIONS.items() if number == stated), None)
    if version is None:
        raise MalformedReply("SNMP message of another version")
    tag = message.tag()
    return version, community, tag, message.inside(tag).integer()


def to_request(request_id: int, tag: int, stated: int, found: Response) -> Response:
    """Hold what `pdu` read against our request.

    Raises:
        MalformedReply: It is no Response, or answers another request.
    """
    if tag != RESPONSE:
        raise MalformedReply("SNMP message that is no response")
    if stated != request_id:
        raise MalformedReply("SNMP response to another request")
    return found


def pdu(parent: Elements, version: str = "2c") -> tuple[int, int, Response]:
    """Read any PDU, the next element of a message and the last one.

    Returns:
        Its tag, its request-id, and the rest.

    Raises:
        MalformedReply: No PDU.
    """
    tag = parent.tag()
    if tag not in _PDUS:
        raise MalformedReply("SNMP message without a PDU")
    content = parent.inside(tag)
    ended(parent)
    stated, status, index = content.integer(), content.integer(), content.integer(0)
    rows = content.inside(SEQUENCE)
    ended(content)
    bindings = []
    while rows:
        row = rows.inside(SEQUENCE)
        bindings.append(_binding(row, version))
        ended(row)
    return tag, stated, Response(status, index, tuple(bindings[:MOST_BINDINGS]))


def ended(elements: Elements) -> None:
    """Refuse what follows the last element that belongs there.

    Raises:
        MalformedReply: Something does.
    """
    if elements:
        raise MalformedReply("SNMP reply that cannot be read: more than belongs there")


def _binding(row: Elements, version: str) -> Binding | None:
    """Name and value, of the types that the version has (RFC 1155 section 3.2.3, RFC 3416 section 3)."""
    oid, tag = row.object_id(), row.tag()
    if tag == INTEGER:
        return Binding(oid, number=row.integer())
    if tag == OBJECT_ID:
        return Binding(oid, object_id=row.object_id())
    if tag in _WORDS:
        return Binding(oid, number=row.integer(0, 2**32 - 1, tag))
    if tag == _COUNTER64 and version != "1":
        return Binding(oid, number=row.integer(0, 2**64 - 1, tag))
    octets = row.content(tag)
    if tag in (OCTETS, _OPAQUE) and len(octets) <= LONGEST_STRING or tag == _ADDRESS and len(octets) == 4:
        return Binding(oid, octets=octets)
    if not octets and (tag == NULL or tag in _EXCEPTIONS and version != "1"):
        return None
    raise MalformedReply(f"SNMP reply that cannot be read: a value of type {tag:#04x}")
