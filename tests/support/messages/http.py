"""Answers of HTTP/1.1 (RFC 9112): status line, fields, and a body that is framed in one way, in two, or in none."""

from __future__ import annotations

from hypothesis import strategies as st

from support.messages.parts import mostly, texts

_FIELDS = (
    b"Set-Cookie: sid=1; HttpOnly", b"Location: /a", b"Location: http://[", b"Server: x", b"WWW-Authenticate: Basic realm=x",
    b"Refresh: 0; url=/b", b"X: a\r\n b", b"No colon", b": no name", b"Sp ace: x", b"Content-Encoding: gzip",
)  # fmt: skip
_FRAMES = (
    b"Content-Length: %d", b"Content-Length: 0%d", b"Content-Length: +%d", b"Content-Length: %d, 3", b"Transfer-Encoding: chunked",
    b"Transfer-Encoding: gzip, chunked", b"Connection: close",
)  # fmt: skip


def _field() -> st.SearchStrategy[bytes]:
    odd = texts().map(lambda text: b"X-Odd: " + text)
    return st.sampled_from(_FIELDS) | odd


def _chunks(body: bytes) -> st.SearchStrategy[bytes]:
    right = b"%x\r\n%s\r\n0\r\n\r\n" % (len(body), body) if body else b"0\r\n\r\n"
    return mostly(
        right,
        st.sampled_from(
            (b"%x;a=b\r\n%s\r\n0\r\nX: y\r\n\r\n" % (len(body), body), b"-1\r\n\r\n", b"f" * 20 + b"\r\n")
        ),
    )


@st.composite
def response(draw: st.DrawFn) -> bytes:
    """One answer, behind an interim one now and then."""
    code = draw(
        mostly(b"200", st.sampled_from((b"404", b"302", b"204", b"304", b"100", b"999", b"20", b"abc")))
    )
    line = draw(
        mostly(
            b"HTTP/1.1 ", st.sampled_from((b"HTTP/1.0 ", b"HTTP/2.0 ", b"http/1.1 ", b"ICY ", b"HTTP/1.1  "))
        )
    )
    line += code + draw(mostly(b" OK", st.sampled_from((b"", b" ", b" \xc7", b" a\0b"))))
    body = draw(texts())
    frames = draw(st.lists(st.sampled_from(_FRAMES[:1] * 4 + _FRAMES), max_size=2))
    fields = [frame % len(body) if b"%d" in frame else frame for frame in frames] + draw(
        st.lists(_field(), max_size=3)
    )
    end = draw(mostly(b"\r\n", st.sampled_from((b"\n", b"\r"))))
    if any(b"chunked" in frame for frame in frames):
        body = draw(_chunks(body))
    interim = draw(mostly(b"", st.just(b"HTTP/1.1 100 Continue\r\n\r\n")))
    return interim + end.join((line, *draw(st.permutations(fields)))) + end + end + body
