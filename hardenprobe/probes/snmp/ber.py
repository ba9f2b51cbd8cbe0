"""Take the elements of an SNMP message apart, without I/O: the part of BER that SNMP may use.

Lengths are definite, and simple types primitive: RFC 3417 section 8 forbids the other forms of X.690 section 8.1.
"""

from __future__ import annotations

from hardenprobe.errors import MalformedReply

INTEGER, OCTETS, NULL, OBJECT_ID, SEQUENCE = 0x02, 0x04, 0x05, 0x06, 0x30
MOST_ARCS, LARGEST_ARC = 128, 2**32 - 1  # RFC 2578 section 3.5


class Elements:
    """The elements of a constructed value, one after another.

    Attributes:
        at: Where the next element begins in `data`.
        end: Where the last one ends.

    >>> Elements(bytes.fromhex("3003020107")).inside(SEQUENCE).integer()
    7
    """

    def __init__(self, data: bytes, at: int = 0, end: int | None = None) -> None:
        self.data, self.at = data, at
        self.end = len(data) if end is None else end

    def __bool__(self) -> bool:
        return self.at < self.end

    def tag(self) -> int:
        """The next element's tag.

        Raises:
            MalformedReply: There is none.
        """
        if self.at >= self.end:
            raise _unreadable("it ends too early")
        return self.data[self.at]

    def inside(self, tag: int) -> Elements:
        """The elements inside of the next one, which is behind us then.

        Raises:
            MalformedReply: It has another tag, no definite length, or ends after what it is in.
        """
        if self.tag() != tag:
            raise _unreadable(f"tag {self.data[self.at]:#04x} where {tag:#04x} belongs")
        begin = self.at + 2
        if begin > self.end:
            raise _unreadable("it ends too early")
        length = self.data[self.at + 1]
        if length == 0x80:
            raise _unreadable("a length without an end")
        if length > 0x80:
            octets = length & 0x7F
            length = int.from_bytes(self.data[begin : begin + octets])
            begin += octets
        if begin + length > self.end:
            raise _unreadable("a length beyond the end")
        self.at = begin + length
        return Elements(self.data, begin, self.at)

    def content(self, tag: int) -> bytes:
        """The octets of the next element.

        Raises:
            MalformedReply: As of `inside`.
        """
        found = self.inside(tag)
        return self.data[found.at : found.end]

    def integer(self, least: int = -(2**31), most: int = 2**31 - 1, tag: int = INTEGER) -> int:
        """The next element, a number within its range.

        Raises:
            MalformedReply: It is none.
        """
        content = self.content(tag)
        number = int.from_bytes(content, signed=True)
        if not content or not least <= number <= most:
            raise _unreadable("a number beyond its range")
        return number

    def object_id(self) -> str:
        """The next element, an object identifier.

        Raises:
            MalformedReply: It is none, or holds what RFC 2578 section 3.5 forbids.

        >>> Elements(bytes.fromhex("06052b06018f65")).object_id()
        '1.3.6.1.2021'
        """
        content = self.content(OBJECT_ID)
        if not content or content[-1] & 0x80 or len(content) > 5 * MOST_ARCS:
            raise _unreadable("no object identifier")
        arcs: list[int] = []
        arc = 0
        for octet in content:
            if octet == 0x80 and not arc:
                raise _unreadable("no object identifier")  # X.690 section 8.19.2
            arc = arc << 7 | octet & 0x7F
            if not octet & 0x80:
                if not arcs:  # the first octet stands for two arcs, X.690 section 8.19.4
                    first = min(arc // 40, 2)
                    arcs.append(first)
                    arc -= 40 * first
                arcs.append(arc)
                arc = 0
        if len(arcs) > MOST_ARCS or max(arcs) > LARGEST_ARC:
            raise _unreadable("no object identifier")
        return ".".join(map(str, arcs))


def _unreadable(why: str) -> MalformedReply:
    return MalformedReply(f"SNMP reply that cannot be read: {why}")
