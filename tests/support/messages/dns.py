"""Answers of multicast DNS and LLMNR (RFC 1035 section 4.1, RFC 6762 section 18, RFC 4795 section 2.1.1)."""

from __future__ import annotations

from hypothesis import strategies as st

from support.messages.parts import joined, mostly, number, sized, texts
from support.parsers.registry import NUMBER

A, PTR, TXT, AAAA, SRV, NSEC, OPT = 1, 12, 16, 28, 33, 47, 41
_LABELS = (b"_ipp", b"_tcp", b"local", b"_services", b"_dns-sd", b"_udp", b"t-1")


def names() -> st.SearchStrategy[bytes]:
    """Labels and their end, now and then a pointer: to the first name, to itself, or beyond the message."""
    label = sized(1, st.sampled_from(_LABELS) | st.sampled_from(_LABELS) | st.binary(min_size=1, max_size=63))
    end = mostly(b"\0", st.sampled_from((b"\xc0\x0c", b"\xc0\x00", b"\xc0\x20", b"\xff\xff")))
    return st.tuples(joined(label, 5), end).map(b"".join)


def _strings() -> st.SearchStrategy[bytes]:
    keyed = st.tuples(st.sampled_from((b"u=", b"p=", b"rs=", b"note=", b"txtvers=1")), texts()).map(b"".join)
    return joined(sized(1, keyed), 4)


@st.composite
def _record(draw: st.DrawFn) -> bytes:
    kind, data = draw(
        st.sampled_from(
            (
                (A, st.binary(min_size=4, max_size=4)),
                (AAAA, st.binary(min_size=16, max_size=16)),
                (PTR, names()),
                (TXT, _strings()),
                (SRV, st.tuples(number(6), names()).map(b"".join)),
                (NSEC, st.tuples(names(), st.binary(max_size=8)).map(b"".join)),
                (OPT, st.just(b"") | st.tuples(number(2, 4), sized(2, st.binary(max_size=8))).map(b"".join)),
            )
        )
    )
    data = draw(mostly(draw(data), st.binary(max_size=24)))
    head = draw(names()) + kind.to_bytes(2, "big") + draw(number(2, 1, 0x8001)) + draw(number(4, 120))
    return head + draw(sized(2, st.just(data)))


@st.composite
def response(draw: st.DrawFn, *, multicast: bool) -> bytes:
    """A response, with counts that mostly agree with what follows."""
    ident = draw(mostly((0 if multicast else NUMBER).to_bytes(2, "big"), number(2, NUMBER)))
    flags = draw(mostly(b"\x84\0" if multicast else b"\x80\0", st.binary(min_size=2, max_size=2)))
    sections = [draw(st.lists(names().map(lambda name: name + b"\0\x0c\0\1"), max_size=1))]
    sections += [draw(st.lists(_record(), max_size=most)) for most in (4, 1, 3)]
    counts = [draw(mostly(len(one).to_bytes(2, "big"), number(2, 65535))) for one in sections]
    return ident + flags + b"".join(counts) + b"".join(b"".join(one) for one in sections)
