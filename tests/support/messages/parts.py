"""What messages of every protocol are put together from: numbers, texts, and lengths that may be wrong."""

from __future__ import annotations

from functools import cache

from hypothesis import strategies as st

ODD_TEXTS = (
    b"", b"\0", b"\xc7", b"\xff\xfe", b"\xed\xa0\x80", b"=", b"%s%n", b"\xd9\xa1\xd9\xa2", b"9" * 40, b"\x1b[2J", b"a" * 300,
)  # fmt: skip
"""Beyond ASCII, no UTF-8, half a surrogate, digits of another script, a number that is too long, a command of a terminal."""


@cache
def texts() -> st.SearchStrategy[bytes]:
    """A text as a device would write it, or an odd one."""
    return st.sampled_from((b"printer", b"Ana", b"127.0.9.9", b"t-1.devices.example")) | st.sampled_from(ODD_TEXTS) | st.binary(max_size=40)  # fmt: skip


def mostly(right: bytes, wrong: st.SearchStrategy[bytes]) -> st.SearchStrategy[bytes]:
    """One value, and in one of sixteen draws another: a message of many parts is to stay whole as often as not."""
    return st.integers(0, 15).flatmap(lambda n: wrong if n == 15 else st.just(right))


def number(size: int, *usual: int) -> st.SearchStrategy[bytes]:
    """A number of so many bytes, mostly one of those that mean something."""
    known = tuple(n.to_bytes(size, "big") for n in usual)
    any_number = st.binary(min_size=size, max_size=size)
    return st.integers(0, 15).flatmap(lambda n: st.sampled_from(known) if known and n < 15 else any_number)


@st.composite
def sized(draw: st.DrawFn, size: int, content: st.SearchStrategy[bytes]) -> bytes:
    """Content behind its length, which now and then is another."""
    inner = draw(content)
    right = min(len(inner), 256**size - 1).to_bytes(size, "big")
    return draw(mostly(right, number(size, 0, 1, 256**size - 1))) + inner


def joined(of: st.SearchStrategy[bytes], most: int) -> st.SearchStrategy[bytes]:
    """Some of them, one after the other."""
    return st.lists(of, max_size=most).map(b"".join)
