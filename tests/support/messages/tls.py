"""First flights of TLS and SSL 2.0 servers (RFC 5246 sections 6.2 and 7.4, RFC 8446 sections 4 and 5)."""

from __future__ import annotations

import struct

from hypothesis import strategies as st

from support.messages.certificates import SOME
from support.messages.parts import joined, mostly, number, sized

_RETRY = bytes.fromhex(
    "cf21ad74e59a6111be1d8c021e65b891c2a211167abb8c5e079e09e2c8a8339c"
)  # RFC 8446 section 4.1.3


def _extensions() -> st.SearchStrategy[bytes]:
    share = st.tuples(number(2, 29, 23, 30), sized(2, st.binary(min_size=32, max_size=32))).map(b"".join)
    known = st.sampled_from(
        (
            (43, number(2, 0x0304, 0x0303)),
            (51, share),
            (51, number(2, 29, 23)),
            (44, sized(2, st.binary(max_size=20))),
            (0xFF01, st.just(b"\0")),
            (22, st.just(b"")),
            (23, st.just(b"")),
            (15, st.just(b"\1")),
        )
    ).flatmap(
        lambda one: sized(2, one[1] | one[1] | st.binary(max_size=6)).map(
            lambda data: struct.pack(">H", one[0]) + data
        )
    )
    other = st.tuples(number(2), sized(2, st.binary(max_size=10))).map(b"".join)
    return st.just(b"") | sized(2, joined(known | known | other, 4))


def hello() -> st.SearchStrategy[bytes]:
    """The body of a ServerHello."""
    random = mostly(bytes(range(32)), st.sampled_from((_RETRY, b"\0" * 32)))
    return st.tuples(
        number(2, 0x0303, 0x0303, 0x0302, 0x0301, 0x0300),
        random,
        sized(1, st.binary(max_size=33)),
        number(2, 0x1301, 0xC02F, 0x009E, 0x0008, 0x00A8, 0x00FF),
        mostly(b"\0", number(1, 1)),
        _extensions(),
    ).map(b"".join)


def chain() -> st.SearchStrategy[bytes]:
    """The body of a Certificate message, of TLS 1.2 or 1.3."""
    certificate = sized(3, st.sampled_from(SOME) | st.binary(max_size=20))
    old = sized(3, joined(certificate, 12))
    new = st.tuples(
        sized(1, st.binary(max_size=3)), sized(3, joined(st.tuples(certificate, sized(2, st.binary(max_size=4))).map(b"".join), 12))
    ).map(b"".join)  # fmt: skip
    return old | new


def _exchange() -> st.SearchStrategy[bytes]:
    """ServerKeyExchange: a named or explicit curve, or a group, behind a hint or none."""
    curve = st.tuples(number(1, 3, 1), number(2, 23, 29), sized(1, st.binary(max_size=65))).map(b"".join)
    group = joined(sized(2, st.binary(max_size=257)), 3)
    return st.tuples(st.just(b"") | sized(2, st.binary(max_size=5)), curve | group).map(b"".join)


def _message(kind: int, body: st.SearchStrategy[bytes]) -> st.SearchStrategy[bytes]:
    return st.tuples(mostly(bytes((kind,)), number(1, 0, 1, 4, 20)), sized(3, body)).map(b"".join)


@st.composite
def flight(draw: st.DrawFn) -> bytes:
    """Handshake messages in records that may part them, with alerts and sealed records between."""
    messages = draw(_message(2, hello())) if draw(st.integers(0, 7)) else b""
    for kind, body in draw(st.lists(st.sampled_from(((11, chain()), (12, _exchange()), (13, st.binary(max_size=8)), (14, st.just(b"")))), max_size=4)):  # fmt: skip
        messages += draw(_message(kind, body))
    out = b""
    while messages:
        cut = draw(mostly(b"\xff", st.binary(min_size=1, max_size=1)))[0]
        piece = messages[: 2**14 if cut == 255 else cut + 1]
        messages = messages[len(piece) :]
        out += b"\x16\x03" + draw(number(1, 3, 1)) + draw(sized(2, st.just(piece)))
        out += draw(mostly(b"", _other_records()))
    return out + draw(_other_records() | st.just(b""))


def _other_records() -> st.SearchStrategy[bytes]:
    alert = st.tuples(
        st.just(b"\x15\3\3"), sized(2, st.tuples(number(1, 1, 2), number(1, 40, 0, 70)).map(b"".join))
    )
    sealed = st.tuples(st.just(b"\x17\3\3"), sized(2, st.binary(max_size=40)))
    change = st.just((b"\x14\3\3\0\1\1",))
    return st.one_of(alert, sealed, change, number(1).map(lambda kind: (kind + b"\3\3\0\0",))).map(b"".join)


def sealed() -> st.SearchStrategy[bytes]:
    """What is inside of a sealed record: messages or an alert, and the type behind them."""
    inside = joined(
        _message(11, chain()) | _message(8, st.binary(max_size=6)) | _message(13, st.binary(max_size=6)), 3
    )
    return st.tuples(inside | st.binary(min_size=2, max_size=2), number(1, 22, 21)).map(b"".join)


@st.composite
def ssl2(draw: st.DrawFn) -> bytes:
    """A SERVER-HELLO of SSL 2.0 (draft-hickman-netscape-ssl-00)."""
    parts = [draw(st.binary(max_size=most)) for most in (40, 12, 16)]
    sizes = b"".join(draw(mostly(len(part).to_bytes(2, "big"), number(2))) for part in parts)
    body = b"\4" + draw(st.binary(min_size=2, max_size=2)) + draw(number(2, 2)) + sizes + b"".join(parts)
    return draw(mostly((0x8000 | len(body)).to_bytes(2, "big"), number(2))) + body
