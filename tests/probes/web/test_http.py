"""One GET on one connection; hostile servers cost bounded time and end in facts."""

from __future__ import annotations

import asyncio
import contextlib
import gzip
import hashlib
import ssl
import time
import tracemalloc
import zlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import h11
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from support.messages.http import response
from support.scripted_line import Fed, finish
from support.servers import Handler, serving

from hardenprobe.facts import HttpAnswer, readable
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.web import http
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import Scope

QUICK = Timing(connect=0.5, greeting=0.1, reply=0.25, pause=0.0)


class Server:
    """Answers each request with the same bytes, keeps the requests, and holds the line open."""

    def __init__(self, answer: bytes, close: bool = False) -> None:
        self.answer, self.close, self.requests = answer, close, []  # type: ignore[var-annotated]
        self.connections = 0

    async def __call__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        with contextlib.suppress(asyncio.IncompleteReadError):
            while True:
                self.requests.append(await reader.readuntil(b"\r\n\r\n"))
                writer.write(self.answer)
                await writer.drain()
                if self.close:
                    writer.close()
                    await writer.wait_closed()
                    return


def get(
    handler: Handler,
    path: str = "/",
    *,
    server: ssl.SSLContext | None = None,
    timing: Timing = QUICK,
) -> tuple[HttpAnswer, DeviceLink, float]:
    async def run() -> tuple[HttpAnswer, DeviceLink, float]:
        port = 443 if server else 80
        async with serving(handler, context=server) as real:
            line = DeviceLink(
                address="127.0.0.1", permit=Scope.loopback(), timing=timing, port_offset=real - port
            )
            began = time.monotonic()
            context = http.lenient_context() if server else None
            seen = await http.get(line, port, path, tls=context)
            assert seen.endpoint is not None
            assert (seen.endpoint.port, seen.endpoint.path) == (port, path)
            assert seen.endpoint.protocol == ("https" if server else "http")
            return seen.facts, line, time.monotonic() - began

    return asyncio.run(run())


def fetched(status: int, headers: list[tuple[str, str]], body: bytes = b"") -> http.HttpResponse:
    return http.HttpResponse(recorder=Recorder(), status=status, headers=tuple(headers), body=body)


def answer(body: bytes = b"", *headers: str, status: str = "200 OK") -> bytes:
    head = [f"HTTP/1.1 {status}", *headers, f"Content-Length: {len(body)}"]
    return "\r\n".join(head).encode("latin-1") + b"\r\n\r\n" + body


PAGE = b"<html><head><title> Settings </title></head><form><input type=PassWord name=p></form></html>"


def test_page_is_reduced_to_facts() -> None:
    server = Server(answer(PAGE, "Server: thing/1", "Strict-Transport-Security: max-age=1", "Date: now"))
    facts, line, _ = get(server)
    assert facts == HttpAnswer(
        tls=False,
        path="/",
        status=200,
        title="Settings",
        form=True,
        password_field=True,
        server="thing/1",
        date="now",
        strict_transport="max-age=1",
        body_length=len(PAGE),
        body_sha256=hashlib.sha256(PAGE).hexdigest(),
        targets=("/",),
    )
    assert facts.recognised
    assert line.cost.connections == 1
    (request,) = server.requests
    assert request.startswith(b"GET / HTTP/1.1\r\n")
    assert b"cookie" not in request.lower() and b"authorization" not in request.lower()


def test_proxy_of_the_environment_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("http_proxy", "HTTP_PROXY", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:1")
    assert get(Server(answer(PAGE)))[0].status == 200


def test_redirect_loop_is_read_and_not_followed() -> None:
    server = Server(answer(b"", "Location: /", status="302 Found"))
    facts, line, _ = get(server)
    assert (facts.status, facts.location) == (302, "/")
    assert (server.connections, len(server.requests), line.cost.connections) == (1, 1, 1)


def test_redirect_off_the_device_is_read_and_not_followed() -> None:
    server = Server(answer(b"", "Location: https://127.0.0.99/", status="301 Moved"))
    assert get(server)[0].location == "https://127.0.0.99/"
    assert len(server.requests) == 1


@pytest.mark.parametrize(
    "header",
    [
        b"Set-Cookie: sid=F\xc7ound",
        b"Set-Cookie: F\xc7ound=1",
        b"Set-Cookie: sid=1; Max-Age=" + b"9" * 5000,
        b"Set-Cookie: sid=1; Expires=Thu, 99 Foo \xd9\xa1 99999",
        b"Set-Cookie: sid=1; Domain=\xff..; Path=\xed\xa0\x80",
        b"Location: //[::",
        b"Location: http://[",
        b"Location: http://a:99999999/",
        b"Location: \xff\xfe\xed\xa0\x80",
    ],
)
@pytest.mark.parametrize("status", [b"200 OK", b"302 F\xc7ound"])
def test_an_odd_header_leaves_the_rest_of_an_answer(status: bytes, header: bytes) -> None:
    """RFC 9110 section 5.5: a field value may hold any byte of obs-text; a redirect is read and never prepared."""
    lines = (b"HTTP/1.1 " + status, header, b"Set-Cookie: session=1", b"Location: /x", b"Content-Length: 2")
    facts, line, _ = get(Server(b"\r\n".join(lines) + b"\r\n\r\nhi"))
    assert (facts.status, facts.body_length, facts.fault) == (int(status[:3]), 2, None)
    assert "session" in {cookie.name for cookie in facts.cookies}
    assert facts.location == ("/x" if header.startswith(b"Set") else readable(header[10:]))
    assert line.cost.connections == 1


def test_an_odd_header_changes_no_other() -> None:
    facts, _, _ = get(Server(answer(b"", "Server: caf\xc3\xa9", "X-Odd: F\xc7ound")))
    assert facts.server == "caf\xe9"


@pytest.fixture(scope="module")
def tls_server(tmp_path_factory: pytest.TempPathFactory) -> ssl.SSLContext:
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "device.example.org")])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1234)
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .sign(key, hashes.SHA256())
    )
    file: Path = tmp_path_factory.mktemp("tls") / "both.pem"
    file.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        + certificate.public_bytes(serialization.Encoding.PEM)
    )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(file)
    return context


def test_page_over_tls_whatever_the_certificate(tls_server: ssl.SSLContext) -> None:
    facts, line, _ = get(Server(answer(PAGE)), server=tls_server)
    assert (facts.tls, facts.status, facts.title) == (True, 200, "Settings")
    assert line.cost.bytes_received > len(PAGE)


def test_tls_asked_of_a_port_that_speaks_none() -> None:
    async def run() -> HttpAnswer:
        async with serving(Server(answer(PAGE))) as real:
            line = DeviceLink(
                address="127.0.0.1", permit=Scope.loopback(), timing=QUICK, port_offset=real - 443
            )
            return (await http.get(line, 443, tls=http.lenient_context())).facts

    facts = asyncio.run(run())
    assert facts.status is None and facts.fault == "silent"


# --- hostile servers


def test_garbage_is_not_http() -> None:
    facts, _, _ = get(Server(b"\x00\xff\x16\x03 what\r\n\r\n"))
    assert facts.status is None and not facts.recognised
    assert facts.fault is not None and facts.fault.startswith("not HTTP")


@pytest.mark.parametrize("start", [b"", b"HTTP/1.1 200 OK\r\nContent-Le"])
def test_line_that_is_cut(start: bytes) -> None:
    facts, _, _ = get(Server(start, close=True))
    assert facts.status is None
    assert facts.fault is not None


def test_reset_after_accepting() -> None:
    async def reset(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """The helper aborts the connection when this returns."""

    assert get(reset)[0].fault == "closed"


def test_silent_server() -> None:
    async def silent(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read()

    facts, _, took = get(silent)
    assert facts.fault == "silent"
    assert took < 2


def test_header_of_ten_megabytes() -> None:
    async def endless(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"HTTP/1.1 200 OK\r\nX: ")
        for _ in range(160):
            writer.write(b"x" * 65536)
            await writer.drain()
        await reader.read()

    facts, line, took = get(endless)
    assert facts.status is None
    assert facts.fault is not None and facts.fault.startswith("not HTTP")
    assert line.cost.bytes_received < 1_000_000
    assert took < 2


def test_body_without_end_is_cut() -> None:
    async def endless(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"HTTP/1.1 200 OK\r\n\r\n<title>a</title>")
        while True:
            writer.write(b"x" * 65536)
            await writer.drain()

    facts, line, took = get(endless)
    assert (facts.status, facts.title, facts.body_length) == (200, "a", http.BODY_LIMIT)
    assert facts.cut and facts.doubt
    assert line.cost.bytes_received < 2 * http.BODY_LIMIT
    assert took < 2


@pytest.mark.slow
@pytest.mark.parametrize("coding", ["GZip", "deflate"])
def test_bomb_unfolds_no_further_than_the_limit(coding: str) -> None:
    plain = b"<title>bomb</title>" + bytes(60_000_000)
    packed = gzip.compress(plain, mtime=0) if coding == "GZip" else zlib.compress(plain)
    server = Server(answer(packed, f"Content-Encoding: {coding}"))
    tracemalloc.start()
    try:
        facts, _, took = get(server)
        assert tracemalloc.get_traced_memory()[1] < 20_000_000
    finally:
        tracemalloc.stop()
    assert (facts.status, facts.title, facts.body_length, facts.cut) == (200, "bomb", http.BODY_LIMIT, True)
    assert took < 2


def test_broken_compression_is_kept_as_it_came() -> None:
    facts, _, _ = get(Server(answer(b"<title>no gzip</title>", "Content-Encoding: gzip")))
    assert (facts.title, facts.cut) == ("no gzip", True)


@pytest.mark.parametrize("then", ["wait", "close", "reset"])
def test_a_body_that_ends_early_leaves_the_header_in_doubt(then: str) -> None:
    """RFC 9112 section 6.3: a length that is not reached makes the message incomplete."""

    async def early(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        writer.write(b"HTTP/1.1 403 Forbidden\r\nContent-Length: 100\r\n\r\n<title>half</title>")
        await writer.drain()
        if then == "wait":
            await reader.read()
        elif then == "close":
            writer.close()

    facts, _, _ = get(early)
    assert (facts.status, facts.title, facts.cut, facts.fault) == (403, "half", True, None)


@pytest.mark.parametrize(
    "response",
    [
        answer(b"page", status="403 Forbidden"),
        b"HTTP/1.1 304 Not Modified\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n1\r\na\r\n0\r\n\r\n",
        answer(gzip.compress(b"page", mtime=0), "Content-Encoding: gzip"),
    ],
)
def test_a_whole_body_leaves_no_doubt(response: bytes) -> None:
    facts, _, _ = get(Server(response))
    assert (facts.cut, facts.doubt) == (False, "")


def test_a_coding_that_nobody_asked_for_is_not_read() -> None:
    assert get(Server(answer(b"\x0b\x02", "Content-Encoding: br")))[0].cut


@pytest.mark.slow
def test_drip_of_bytes_ends_in_seconds() -> None:
    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"HTTP/1.1 200 OK\r\nX: ")
        while True:
            writer.write(b"x")
            await writer.drain()
            await asyncio.sleep(0.02)

    facts, _, took = get(drip)
    assert facts.fault == "silent"
    assert took < http.PATIENCE * QUICK.reply + 1


def test_hundred_challenges_are_bounded() -> None:
    headers = [f"WWW-Authenticate: Scheme{n}{'x' * 100} realm=a" for n in range(100)]
    facts, _, _ = get(Server(answer(b"", "WWW-Authenticate: Basic realm=a", *headers, status="401 No")))
    assert facts.status == 401
    assert facts.authenticate[0] == "basic"
    assert len(facts.authenticate) == http.SCHEMES
    assert all(len(scheme) <= 32 for scheme in facts.authenticate)


def test_title_with_control_bytes_is_kept_and_bounded() -> None:
    facts, _, _ = get(Server(answer(b"<title>\x1b]0;owned\x07\xff" + b"t" * 5000 + b"</title>")))
    assert facts.title is not None
    assert facts.title.startswith("\x1b]0;owned\x07\ufffd")
    assert len(facts.title) <= 4 * 256


def test_marked_section_does_not_break_the_probe() -> None:
    """Python's parser raises AssertionError on a marked section that it does not know."""
    facts, _, _ = get(Server(answer(b"<title>a</title><form><![x[ ]]> <input type=password>")))
    assert (facts.status, facts.title, facts.form) == (200, "a", True)


@pytest.mark.slow
def test_many_interim_answers_end_with_the_ceiling() -> None:
    async def endless(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        while True:
            writer.write(b"HTTP/1.1 103 Early Hints\r\n\r\n" * 1000)
            await writer.drain()

    facts, _, took = get(endless)
    assert facts.status is None
    assert took < http.PATIENCE * QUICK.reply + 1


@pytest.mark.parametrize("path", ["/a b", "/\x00", "/\r\nX: y", "no slash", "//127.0.0.9/"])
def test_odd_paths_stay_one_request_to_the_device(path: str) -> None:
    server = Server(answer(b""))
    facts, line, _ = get(server, path)
    assert len(server.requests) <= 1
    assert all(b"\r\nX: y" not in request for request in server.requests)
    assert facts.status == 200 or facts.fault is not None
    assert line.cost.connections == 1


# --- the codec

NAMES = st.sampled_from(["Location", "WWW-Authenticate", "Server", "DATE", "x", "strict-transport-security"])


@given(
    st.integers(100, 999),
    st.lists(st.tuples(NAMES, st.text(max_size=60)), max_size=20),
    st.binary(max_size=300)
    | st.lists(
        st.sampled_from(
            [
                b"<title>",
                b"</title>",
                b"<![",
                b"<!",
                b"<form",
                b">",
                b"<input type=password",
                b"&#xD800;",
                b"--",
                b"]]",
            ]
        )
        | st.binary(max_size=5)
    ).map(b"".join),
)
def test_any_answer_is_reduced(status: int, headers: list[tuple[str, str]], body: bytes) -> None:
    facts = http.read(fetched(status, headers, body), tls=False, path="/")
    assert facts.status == status
    assert facts.body_length == len(body)
    assert len(facts.authenticate) <= http.SCHEMES
    for text in (facts.title, facts.location, facts.server, facts.date, facts.strict_transport):
        assert text is None or len(text.encode()) <= 4 * 256


@pytest.mark.parametrize(
    ("value", "schemes"),
    [
        ('Basic realm="a"', ("basic",)),
        ('Digest realm="a", nonce="b", Basic realm="c"', ("digest", "basic")),
        ("Negotiate", ("negotiate",)),
        ("Negotiate, Basic realm=x", ("negotiate", "basic")),
        ("", ()),
        # RFC 9110 section 11.6.1, and names of schemes that are only said in a quoted string.
        (
            'Newauth realm="apps", type=1, title="Login to \\"apps\\"", Basic realm="simple"',
            ("newauth", "basic"),
        ),
        ('Digest realm="not, Basic realm=x", nonce="a, Basic b"', ("digest",)),
        ('Digest realm="never ends, Basic realm=x', ("digest",)),
    ],
)
def test_challenge_schemes(value: str, schemes: tuple[str, ...]) -> None:
    assert http.read(fetched(401, [("WWW-Authenticate", value)]), tls=False, path="/").authenticate == schemes


@pytest.mark.slow
@pytest.mark.parametrize(
    "unit", [b"<", b"<a ", b"<!--", b"<?", b"</", b"<a b='", b"&#x", b"<![", b"<script></"]
)
def test_no_page_takes_long_to_read(unit: bytes) -> None:
    page = (unit * http.BODY_LIMIT)[: http.BODY_LIMIT]
    began = time.monotonic()
    http.read(fetched(200, [], page), tls=False, path="/")
    assert time.monotonic() - began < 5


@pytest.mark.parametrize(
    ("received", "kept"),
    [
        (b"HTTP/1.1 200 OK\r\nA: b\r\n\r\nsecret", b"HTTP/1.1 200 OK\r\nA: b\r\n\r\n******"),
        (b"HTTP/1.1 200 OK\nA: b\n\nsecret", b"HTTP/1.1 200 OK\nA: b\n\n******"),
        (
            b"HTTP/1.1 103 Early\r\nA: b\r\n\r\nHTTP/1.1 200 OK\r\nA: b\r\n\r\nsecret",
            b"HTTP/1.1 103 Early\r\nA: b\r\n\r\nHTTP/1.1 200 OK\r\nA: b\r\n\r\n******",
        ),
        (b"HTTP/1.1 200 OK\r\nSet-Cookie: a=bc\r\n\r\nx", b"HTTP/1.1 200 OK\r\nSet-Cookie: a=**\r\n\r\n*"),
        (b"220 ready\r\n", b"220 ready\r\n"),
        (
            b"HTTP/1.1 200 OK\r\nA: " + b"b" * 3000 + b"secret",
            b"HTTP/1.1 200 OK\r\nA: " + b"b" * 2028 + b"*" * 978,
        ),
    ],
)
def test_of_a_page_the_transcript_keeps_the_header(received: bytes, kept: bytes) -> None:
    assert http.star_page(received) == kept


@given(st.binary(max_size=200))
def test_any_bytes_are_starred_to_their_length(received: bytes) -> None:
    assert len(http.star_page(received)) == len(received)


@pytest.mark.slow
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(response())
@example(b"HTTP/1.1 200 OK\r\nContent-Encoding: gzip\r\n\r\n")  # one octet of a compressed page is no page
def test_h11_reads_the_same_answer(data: bytes) -> None:
    """What h11 reads by itself, with status, fields and body, and what it refuses, both to the byte.

    Ours is h11 behind two other libraries, so nothing is taken that it refuses. Python's own client takes more: two lengths that
    differ, a length with a sign, a field without a name. Those are no HTTP here, and no verdict follows from them.
    """
    data += b"x" * (len(data) % 2)  # so that the line closes at its end
    got = finish(http.fetch(Fed(data, 80, "http"), 80, "/"))
    status, headers, body = h11_reads(data)

    assert got.status == status
    assert [value for _, value in got.headers] == [
        value.decode("utf-8", "backslashreplace") for _, value in headers
    ]
    if status is not None:
        assert got.body == body or got.cut


def h11_reads(data: bytes) -> tuple[int | None, list[tuple[bytes, bytes]], bytes]:
    """Status, fields and body of the answer to a GET; None for what is none."""
    client = h11.Connection(h11.CLIENT)
    client.send(h11.Request(method="GET", target="/", headers=[("Host", "127.0.9.9")]))
    client.send(h11.EndOfMessage())
    client.receive_data(data)
    status, headers, body = None, [], b""
    with contextlib.suppress(h11.RemoteProtocolError):
        while not isinstance(event := client.next_event(), h11.EndOfMessage | h11.ConnectionClosed):
            if event is h11.NEED_DATA:
                client.receive_data(b"")
            elif isinstance(event, h11.Response):
                status, headers = event.status_code, list(event.headers)
            elif isinstance(event, h11.Data):
                body += bytes(event.data)
    return status, headers, body
