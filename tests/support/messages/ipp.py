"""IPP responses (RFC 8010 section 3)."""

from __future__ import annotations

from hypothesis import strategies as st

from hardenprobe.probes.printing.ipp import ABOUT_JOB, ABOUT_PRINTER
from hardenprobe.probes.printing.ipp_codec import Group, Tag
from support.messages.parts import mostly, number, sized, texts
from support.parsers.registry import NUMBER

_NAMES = tuple(name.encode() for name in (*ABOUT_PRINTER, *ABOUT_JOB))
_WORDS = (
    b"none",
    b"tls",
    b"digest",
    b"ipp://127.0.9.9/ipp/print",
    b"ipps://127.0.9.9:631/",
    b"ipp://[",
    b"application/pdf",
)


@st.composite
def _value(draw: st.DrawFn, name: bytes) -> bytes:
    """One value; an empty name makes it a further value of the attribute before it."""
    tag = draw(st.sampled_from(tuple(Tag)) | st.sampled_from((Tag.KEYWORD, Tag.URI, Tag.ENUM)))
    fitting: st.SearchStrategy[bytes] = st.sampled_from(_WORDS) | texts()
    if tag in (Tag.INTEGER, Tag.ENUM):
        fitting = number(4, 2, 4, 11)
    elif tag == Tag.BOOLEAN:
        fitting = st.sampled_from((b"\0", b"\1"))
    elif tag in (Tag.TEXT_WITH_LANGUAGE, Tag.NAME_WITH_LANGUAGE):
        fitting = st.tuples(sized(2, st.just(b"en")), sized(2, texts())).map(b"".join)
    kind = draw(mostly(bytes((tag,)), st.binary(min_size=1, max_size=1)))
    return kind + draw(sized(2, st.just(name))) + draw(sized(2, fitting | st.binary(max_size=8)))


@st.composite
def _attribute(draw: st.DrawFn) -> bytes:
    name = draw(st.sampled_from(_NAMES) | texts())
    return b"".join(
        draw(_value(name if first else b"")) for first in (True, *[False] * draw(st.integers(0, 3)))
    )


@st.composite
def response(draw: st.DrawFn) -> bytes:
    """Groups of attributes behind a status."""
    head = draw(number(2, 0x0101, 0x0200)) + draw(number(2, 0, 1, 0x0401, 0x0403)) + draw(number(4, NUMBER))
    groups = b""
    for tag in (Group.OPERATION, *draw(st.lists(st.sampled_from((Group.PRINTER, Group.JOB)), max_size=3))):
        groups += draw(mostly(bytes((tag,)), st.binary(max_size=1)))
        groups += b"".join(draw(st.lists(_attribute(), max_size=5)))
    return head + groups + draw(mostly(b"\3", st.binary(max_size=4)))
