"""hardenprobe.probes.tls.openings: TLS behind FTP, SMTP, LDAP and HTTP."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Callable

import pytest
from support.tls_servers import Credentials, issue, line_to, probe_tls, threaded, tls_handler

from hardenprobe.facts import TlsPort
from hardenprobe.probes.pki.certificates import TrustAnchors

LDAP_OK = bytes.fromhex("300c02010178070a010004000400")
LDAP_REFUSED = bytes.fromhex("300c02010178070a013504000400")


@pytest.fixture(scope="module")
def credentials(tmp_path_factory: pytest.TempPathFactory) -> Credentials:
    return issue(tmp_path_factory.mktemp("openings"), "printer-1")


def ask(port: int, protocol: str) -> TlsPort:
    async def run() -> TlsPort:
        line = line_to(port, protocol, reply=0.5)
        [seen] = await probe_tls(line, port, anchors=TrustAnchors(), reached=protocol)
        assert seen.endpoint is not None
        assert (seen.endpoint.protocol == f"{protocol}+tls") == seen.facts.speaks
        facts: TlsPort = seen.facts
        return facts

    return asyncio.run(run())


def talk(*turns: tuple[bytes, bytes]) -> Callable[[socket.socket], bool]:
    """Say and expect in turn; tell whether all that was expected came."""

    def run(connection: socket.socket) -> bool:
        for said, expected in turns:
            connection.sendall(said)
            heard = b""
            while expected and not heard.endswith(expected):
                piece = connection.recv(4096)
                if not piece:
                    return False
                heard += piece
        return True

    return run


UPGRADES = {
    "ftp": [(b"220-printer\r\n220 ready\r\n", b"AUTH TLS\r\n"), (b"234 go on\r\n", b"")],
    "smtp": [
        (b"220 printer\r\n", b"EHLO localhost\r\n"),
        (b"250-printer\r\n250-SIZE\r\n250 STARTTLS\r\n", b"STARTTLS\r\n"),
        (b"220 go on\r\n", b""),
    ],
    "ldap": [(b"", b"1.3.6.1.4.1.1466.20037"), (LDAP_OK, b"")],
    "http": [
        (b"", b"\r\n\r\n"),
        (b"HTTP/1.1 101 Switching Protocols\r\nUpgrade: TLS/1.0\r\nConnection: Upgrade\r\n\r\n", b""),
    ],
}
REFUSALS = {
    "ftp": [(b"220 ready\r\n", b"AUTH TLS\r\n"), (b"502 no\r\n", b"")],
    "smtp": [(b"554 no\r\n", b"")],
    "ldap": [(b"", b"1.3.6.1.4.1.1466.20037"), (LDAP_REFUSED, b"")],
    "http": [(b"", b"\r\n\r\n"), (b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n", b"")],
}


@pytest.mark.parametrize("protocol", UPGRADES)
def test_tls_behind_another_protocol(protocol: str, credentials: Credentials) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(credentials.certificate_file, credentials.key_file)
    upgrade, secure = talk(*UPGRADES[protocol]), tls_handler(context)

    def handle(connection: socket.socket) -> None:
        if upgrade(connection):
            secure(connection)

    with threaded(handle) as port:
        facts = ask(port, protocol)

    assert (facts.speaks, facts.reached) == (True, protocol)
    assert {facts.versions["TLS 1.2"], facts.versions["TLS 1.3"]} == {"accepted"}
    assert facts.chains[0].certificates[0].subject == "CN=printer-1"


@pytest.mark.parametrize("protocol", REFUSALS)
def test_a_refused_upgrade_is_told_and_nothing_more_is_said(protocol: str) -> None:
    refusal = talk(*REFUSALS[protocol])
    after: list[bytes] = []

    def handle(connection: socket.socket) -> None:
        refusal(connection)
        after.append(connection.recv(64))

    with threaded(handle) as port:
        facts = ask(port, protocol)

    assert (facts.speaks, facts.fault, facts.connections) == (False, "no upgrade", 1)
    assert not any(after)


@pytest.mark.parametrize("protocol", UPGRADES)
@pytest.mark.parametrize(
    "noise", [b"", b"\xff" * 9000, b"2", b"0\x84\xff\xff\xff\xff"], ids=["nothing", "noise", "2", "length"]
)
def test_noise_is_no_upgrade(protocol: str, noise: bytes) -> None:
    with threaded(lambda c: c.sendall(noise)) as port:
        facts = ask(port, protocol)

    assert (facts.speaks, facts.fault) == (False, "no upgrade")
