"""Answers to a negotiation of SMB (MS-CIFS section 2.2.4.52.2, MS-SMB2 section 2.2.4)."""

from __future__ import annotations

import struct

from hypothesis import strategies as st

from support.messages.parts import mostly, number, sized, texts


@st.composite
def _first(draw: st.DrawFn) -> bytes:
    """Version 1: header, count of words, words, count of bytes."""
    status = draw(mostly(bytes(4), st.binary(min_size=4, max_size=4)))
    command = draw(mostly(b"\x72", st.binary(max_size=1)))
    flags = draw(mostly(b"\x98", st.binary(min_size=1, max_size=1)))
    head = b"\xffSMB" + command + status + flags + draw(st.binary(min_size=22, max_size=22))
    words = draw(mostly(b"\0\0", st.sampled_from((b"\xff\xff", b"\1\0")))) + draw(number(1, 3, 8, 15))
    words += draw(st.binary(min_size=31, max_size=31))
    return head + draw(mostly(b"\x11", number(1, 0, 1, 13))) + words + draw(sized(2, texts()))


@st.composite
def _later(draw: st.DrawFn) -> bytes:
    """Versions 2 and 3: header, fixed part, security blob, negotiate contexts."""
    status = draw(mostly(bytes(4), st.binary(min_size=4, max_size=4)))
    head = b"\xfeSMB" + b"\x40\0" + bytes(2) + status + draw(mostly(bytes(2), number(2)))
    head += (
        bytes(2)
        + draw(mostly(b"\1\0\0\0", st.binary(min_size=4, max_size=4)))
        + draw(st.binary(min_size=44, max_size=44))
    )
    mode, dialect = (
        draw(st.integers(0, 3)),
        draw(st.sampled_from((0x0202, 0x0210, 0x0300, 0x0302, 0x0311, 0x02FF, 0))),
    )
    blob = draw(texts())
    contexts = draw(st.lists(st.tuples(st.integers(0, 9), st.binary(max_size=40)), max_size=3))
    told = b"".join(
        struct.pack("<HHI", kind, len(data), 0) + data + bytes(-len(data) % 8) for kind, data in contexts
    )
    offset = 64 + 64 + len(blob)
    at = draw(mostly(struct.pack("<HH", 128, len(blob)), st.binary(min_size=4, max_size=4)))
    more = draw(mostly(struct.pack("<I", offset + -offset % 8), st.binary(min_size=4, max_size=4)))
    count = draw(mostly(struct.pack("<H", len(contexts)), st.binary(min_size=2, max_size=2)))
    body = (
        struct.pack("<HHH", 65, mode, dialect) + count + bytes(16) + bytes(4 + 3 * 4) + bytes(16) + at + more
    )
    return head + body + blob + bytes(-offset % 8) + told


def negotiation() -> st.SearchStrategy[bytes]:
    """An answer of either version."""
    return _first() | _later()


def session() -> st.SearchStrategy[bytes]:
    """An answer behind its type and length (RFC 1002 section 4.3.1)."""
    return st.tuples(mostly(b"\0", st.binary(max_size=1)), sized(3, negotiation())).map(b"".join)
