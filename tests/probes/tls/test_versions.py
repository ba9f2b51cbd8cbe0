"""hardenprobe.probes.tls.versions, tls_talk and tls_walk, against the standard library's TLS and servers that misbehave."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from support.tls_servers import Credentials, issue, line_to, probe_tls, threaded, tls_handler

from hardenprobe.errors import ScopeRefused
from hardenprobe.facts import TlsPort, TlsSuites
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.pki.certificates import TrustAnchors

FATAL_HANDSHAKE_FAILURE = b"\x15\x03\x01\x00\x02\x02\x28"
NO_CURVES = TrustAnchors()


@pytest.fixture(scope="module")
def credentials(tmp_path_factory: pytest.TempPathFactory) -> Credentials:
    return issue(tmp_path_factory.mktemp("tls"), "printer-1")


def ask(port: int, depth: str = "versions", line: DeviceLink | None = None) -> list[Any]:
    async def run() -> list[Any]:
        seen = await probe_tls(line or line_to(port, reply=0.4), port, anchors=NO_CURVES, depth=depth)
        return [o.facts for o in seen]

    return asyncio.run(run())


def tls_server(
    credentials: Credentials, low: ssl.TLSVersion, high: ssl.TLSVersion, ciphers: str
) -> Callable[[socket.socket], None]:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(credentials.certificate_file, credentials.key_file)
    context.set_ciphers(ciphers)
    context.minimum_version, context.maximum_version = low, high
    return tls_handler(context)


GCM = "ECDHE-ECDSA-AES128-GCM-SHA256:ECDHE-ECDSA-AES256-GCM-SHA384"


@pytest.fixture
def modern(credentials: Credentials) -> Iterator[int]:
    with threaded(tls_server(credentials, ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3, GCM)) as port:
        yield port


def test_versions_and_certificate_of_a_modern_server(modern: int, credentials: Credentials) -> None:
    [facts] = ask(modern)

    assert isinstance(facts, TlsPort)
    assert [v for v, state in facts.versions.items() if state == "accepted"] == ["TLS 1.2", "TLS 1.3"]
    assert "unknown" not in facts.versions.values()
    assert [c.certificates[0].subject for c in facts.chains] == ["CN=printer-1"]
    assert facts.secure_renegotiation == {"TLS 1.2": True}
    assert facts.compression == {"TLS 1.2": False}
    assert facts.connections == 4


def test_the_walk_finds_what_the_server_was_given(modern: int) -> None:
    port, walk = ask(modern, "full")

    assert isinstance(walk, TlsSuites)
    assert set(walk.suites["TLS 1.2"]) == {
        "TLS_ECDHE_ECDSA_WITH_AES_128_GCM_SHA256",
        "TLS_ECDHE_ECDSA_WITH_AES_256_GCM_SHA384",
    }
    assert len(walk.suites["TLS 1.3"]) == 3
    assert walk.unknown_why == {}
    assert walk.small_curves_asked["TLS 1.2"]
    assert set(walk.groups["TLS 1.3"]) >= {"x25519", "secp256r1"}
    assert walk.fallback_scsv is True
    assert walk.connections <= 5 + 16
    assert port.chains and not walk.chains


@pytest.mark.parametrize("server_decides", [True, False])
def test_whose_order_counts(credentials: Credentials, server_decides: bool) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(credentials.certificate_file, credentials.key_file)
    context.set_ciphers(GCM)
    context.maximum_version = ssl.TLSVersion.TLSv1_2
    if server_decides:
        context.options |= ssl.OP_CIPHER_SERVER_PREFERENCE
    else:
        context.options &= ~ssl.OP_CIPHER_SERVER_PREFERENCE

    with threaded(tls_handler(context)) as port:
        walk = ask(port, "full")[1]

    assert walk.preference == {"TLS 1.2": "server" if server_decides else "client"}


@pytest.mark.parametrize(
    ("handle", "fault", "answer"),
    [
        (lambda c: c.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n"), "not TLS", "HTTP/1.1 400"),
        (lambda c: c.sendall(b"220 ready\r\n"), "not TLS", "220 ready"),
        (lambda c: None, "closed", ""),
        (lambda c: (c.recv(4096), None)[1], "closed", ""),
        (lambda c: c.recv(65536) and c.recv(1), "silent", ""),
        (lambda c: c.sendall(b"\x16\x03\x01\x00\x04\x02\x00\x00\x00"), "broken", ""),
    ],
    ids=["http", "speaks first", "closes at once", "closes at the hello", "silent", "broken"],
)
@pytest.mark.slow
def test_what_is_not_tls(handle: Callable[[socket.socket], None], fault: str, answer: str) -> None:
    with threaded(handle) as port:
        [facts] = ask(port)

    assert (facts.speaks, facts.fault) == (False, fault)
    assert facts.answer.startswith(answer)
    assert facts.connections <= 4


def test_a_port_that_may_not_be_spoken_to_gets_no_byte() -> None:
    heard: list[bytes] = []
    with threaded(lambda c: heard.append(c.recv(64))) as port, pytest.raises(ScopeRefused):
        ask(port, line=line_to(port, "http"))

    assert b"".join(heard) == b""


def hello_of(connection: socket.socket) -> bytes:
    head = connection.recv(5, socket.MSG_WAITALL)
    return head + connection.recv(int.from_bytes(head[3:5], "big"), socket.MSG_WAITALL)


@pytest.mark.parametrize(
    ("stands", "left_out"),
    [
        (lambda hello: len(hello) < 400, ("many suites", "TLS 1.3")),
        (
            lambda hello: hello[9:11] < b"\x03\x03" and b"\x00\x2b\x00" not in hello,
            ("many suites", "TLS 1.3", "extensions"),
        ),
    ],
    ids=["long hellos", "versions above its own"],
)
def test_a_server_that_chokes_is_asked_in_smaller_words(
    credentials: Credentials, stands: Callable[[bytes], bool], left_out: tuple[str, ...]
) -> None:
    """It closes without a word at what it cannot stand, and answers with one old suite at what it can."""
    picked = b"\x02\x00\x00\x26\x03\x01" + bytes(32) + b"\x00\x00\x2f\x00"
    answer = (
        b"\x16\x03\x01" + len(picked).to_bytes(2, "big") + picked + b"\x16\x03\x01\x00\x04\x0e\x00\x00\x00"
    )

    def handle(connection: socket.socket) -> None:
        hello = hello_of(connection)
        if hello[:1] == b"\x16" and stands(hello):
            connection.sendall(
                answer if b"\x00\x2f" in hello and hello[9:11] >= b"\x03\x01" else FATAL_HANDSHAKE_FAILURE
            )

    with threaded(handle) as port:
        [facts] = ask(port)

    assert facts.speaks
    assert facts.versions["TLS 1.0"] == "accepted"
    assert facts.intolerant == left_out


def test_bytes_in_pieces_and_a_warning_first(credentials: Credentials) -> None:
    """An alert of level warning, then the flight a byte at a time."""
    picked = b"\x02\x00\x00\x26\x03\x03" + bytes(32) + b"\x00\xc0\x2f\x00"
    flight = b"\x15\x03\x03\x00\x02\x01\x70" + b"\x16\x03\x03" + len(picked).to_bytes(2, "big") + picked

    def handle(connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if hello_of(connection)[9:11] == b"\x03\x03":
            for byte in flight:
                connection.sendall(bytes([byte]))
        else:
            connection.sendall(FATAL_HANDSHAKE_FAILURE)

    with threaded(handle) as port:
        [facts] = ask(port)

    assert facts.picked["TLS 1.2"] == "TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256"


def test_a_pick_from_outside_the_offer_is_no_acceptance() -> None:
    """The server always picks the same suite; the second time it was not offered."""
    picked = b"\x02\x00\x00\x26\x03\x03" + bytes(32) + b"\x00\xc0\x2f\x00"
    flight = (
        b"\x16\x03\x03" + len(picked).to_bytes(2, "big") + picked + b"\x16\x03\x03\x00\x04\x0e\x00\x00\x00"
    )

    def handle(connection: socket.socket) -> None:
        hello_of(connection)
        connection.sendall(flight)

    with threaded(handle) as port:
        facts, walk = ask(port, "full")

    assert walk.suites == {"TLS 1.2": ("TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256",)}
    assert [v for v, state in facts.versions.items() if state == "accepted"] == ["TLS 1.2"]
    assert facts.versions["TLS 1.1"] == facts.versions["TLS 1.3"] == "unknown"
    assert walk.unknown_why == {"TLS 1.2": "inconclusive"}
    assert "was not offered" in facts.broken
    assert "was not offered" in walk.broken


def server_hello(
    version: int = 0x0303, suite: int = 0xC02F, random: bytes = bytes(32), more: bytes = b""
) -> bytes:
    """A ServerHello in a record (RFC 8446 section 4.1.3)."""
    body = version.to_bytes(2) + random + b"\0" + suite.to_bytes(2) + b"\0"
    body += len(more).to_bytes(2) + more if more else b""
    message = b"\x02" + len(body).to_bytes(3) + body
    return b"\x16\x03\x03" + len(message).to_bytes(2) + message


RETRY = bytes.fromhex(
    "cf21ad74e59a6111be1d8c021e65b891c2a211167abb8c5e079e09e2c8a8339c"
)  # RFC 8446 section 4.1.3
THIRTEEN = b"\x00\x2b\x00\x02\x03\x04"
KEY_SHARE_P256 = b"\x00\x33\x00\x02\x00\x17"


@pytest.mark.parametrize(
    ("answer", "what"),
    [
        (server_hello(suite=0x0A0A), "suite 0x0A0A was not offered"),
        (server_hello(suite=0x00FF), "suite 0x00FF was not offered"),  # a signal, RFC 5746 section 3.3
        (server_hello(suite=0x1301), "suite 0x1301 is not one of TLS 1.2"),
        (
            server_hello(suite=0x1301, random=RETRY, more=THIRTEEN + KEY_SHARE_P256),
            "a second HelloRetryRequest",
        ),
        (
            server_hello(suite=0x1301, random=RETRY, more=THIRTEEN + b"\x00\x33\x00\x02\x0a\x0a"),
            "group 0x0A0A was not offered",
        ),
        (
            server_hello(suite=0x1301, random=RETRY, more=THIRTEEN + b"\x00\x33\x00\x02\x00\x1d"),
            "a retry for the group that was shared already",
        ),
        (server_hello(suite=0x1301, more=THIRTEEN), "no key share"),
    ],
    ids=["suite", "signal", "other version's suite", "retry without end", "group", "same group", "no share"],
)
@pytest.mark.slow
def test_a_server_hello_that_breaks_its_rules_proves_nothing(answer: bytes, what: str) -> None:
    """RFC 8446 section 4.1.3, 4.1.4 and 4.2.8; RFC 5246 section 7.4.1.3."""

    def handle(connection: socket.socket) -> None:
        while hello_of(connection)[:1] == b"\x16":
            connection.sendall(answer)

    with threaded(handle) as port:
        [facts] = ask(port)

    assert (facts.speaks, facts.fault) == (False, "broken")
    assert what in facts.answer
    assert facts.chains == ()


@pytest.mark.slow
def test_a_port_that_refuses_every_hello_tells_no_version() -> None:
    """It may wait for a server name that we do not know (RFC 6066 section 3, unrecognized_name)."""

    def handle(connection: socket.socket) -> None:
        hello_of(connection)
        connection.sendall(b"\x15\x03\x03\x00\x02\x02\x70")

    with threaded(handle) as port:
        [facts] = ask(port)

    assert facts.speaks
    assert set(facts.versions.values()) == {"unknown"}
    assert set(facts.unknown_why.values()) == {"inconclusive"}


def test_closing_without_an_alert_is_a_refusal_only_while_the_port_still_answers() -> None:
    picked = b"\x02\x00\x00\x26\x03\x03" + bytes(32) + b"\x00\xc0\x2f\x00"
    flight = (
        b"\x16\x03\x03" + len(picked).to_bytes(2, "big") + picked + b"\x16\x03\x03\x00\x04\x0e\x00\x00\x00"
    )
    for answers in (1000, 1):
        count = 0

        def handle(connection: socket.socket, most: int = answers) -> None:
            nonlocal count
            hello = hello_of(connection)
            if hello[9:11] == b"\x03\x03" and count < most:
                count += 1
                connection.sendall(flight)

        with threaded(handle) as port:
            [facts] = ask(port)

        expected = ("refused", {}) if answers > 1 else ("unknown", {"TLS 1.1": "dropped"})
        assert facts.versions["TLS 1.1"] == expected[0]
        assert facts.unknown_why.get("TLS 1.1") == expected[1].get("TLS 1.1")


def test_the_ceiling_leaves_unknown_and_not_refused(modern: int) -> None:
    [facts] = ask(modern, line=line_to(modern, connections=2))

    assert facts.versions["TLS 1.3"] == "accepted"
    assert facts.versions["TLS 1.0"] == "unknown"
    assert facts.unknown_why["TLS 1.0"] == "ceiling"


def test_the_ceiling_in_the_walk_is_told(modern: int) -> None:
    walk = ask(modern, "full", line=line_to(modern, connections=6))[1]

    assert "ceiling" in walk.unknown_why.values()


@pytest.mark.slow
def test_a_drip_of_bytes_ends_at_the_deadline() -> None:
    """One deadline for the whole exchange: bytes that keep coming do not prolong it."""

    def handle(connection: socket.socket) -> None:
        hello_of(connection)
        for byte in b"\x16\x03\x03\x40\x00" + bytes(10_000):
            connection.sendall(bytes([byte]))
            if connection.recv(1) == b"":
                return

    with threaded(handle) as port:
        [facts] = ask(port, line=line_to(port, reply=0.2))

    assert (facts.speaks, facts.fault) == (False, "silent")
