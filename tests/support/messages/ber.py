"""Elements of BER and DER: tag, length, content (X.690 section 8.1)."""

from __future__ import annotations

from hypothesis import strategies as st

INTEGER, BITS, OCTETS, NULL, OID, SEQUENCE, SET = 2, 3, 4, 5, 6, 0x30, 0x31


def element(tag: int, content: bytes) -> bytes:
    """An element with its length as DER writes it."""
    size = len(content)
    if size < 128:
        return bytes((tag, size)) + content
    octets = size.to_bytes((size.bit_length() + 7) // 8, "big")
    return bytes((tag, 0x80 | len(octets))) + octets + content


@st.composite
def elements(draw: st.DrawFn, tag: int, content: st.SearchStrategy[bytes]) -> bytes:
    """An element, now and then with another tag, or a length that is long, without an end, or wrong."""
    inner = draw(content)
    match draw(st.integers(0, 99)):
        case 95:
            return element(draw(st.integers(0, 255)), inner)
        case 96:
            return bytes((tag, 0x80)) + inner + bytes(2)
        case 97:
            return bytes((tag, 0x84)) + len(inner).to_bytes(4, "big") + inner
        case 98:
            return bytes((tag, 0x84, 0xFF, 0xFF, 0xFF, 0xFF)) + inner
        case 99:
            return bytes((tag, draw(st.integers(0, 255)))) + inner
    return element(tag, inner)


def integers(*usual: int, tag: int = INTEGER) -> st.SearchStrategy[bytes]:
    """An INTEGER, often one of those that mean something."""
    odd = st.sampled_from((0, -1, 2**31, 2**63, -(2**63), 10**40)) | st.integers(-300, 70000)
    numbers = st.integers(0, 15).flatmap(lambda n: st.sampled_from(usual) if usual and n < 15 else odd)
    return elements(tag, numbers.map(lambda n: n.to_bytes(n.bit_length() // 8 + 1, "big", signed=True)))


def object_id(dotted: str) -> bytes:
    """The content of an OBJECT IDENTIFIER."""
    first, second, *arcs = map(int, dotted.split("."))
    out = b""
    for arc in (first * 40 + second, *arcs):
        piece = bytes((arc & 0x7F,))
        while arc := arc >> 7:
            piece = bytes((arc & 0x7F | 0x80,)) + piece
        out += piece
    return out


def object_ids(*usual: str) -> st.SearchStrategy[bytes]:
    """An OBJECT IDENTIFIER, often one of those that mean something."""
    known = st.sampled_from(tuple(map(object_id, usual)))
    return elements(OID, st.integers(0, 15).flatmap(lambda n: known if n < 15 else st.binary(max_size=12)))


def sequence(*parts: st.SearchStrategy[bytes], tag: int = SEQUENCE) -> st.SearchStrategy[bytes]:
    """A SEQUENCE of these."""
    return elements(tag, st.tuples(*parts).map(b"".join))
