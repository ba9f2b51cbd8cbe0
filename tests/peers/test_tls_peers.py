"""Accepted sets, version by version, beside those that sslyze finds on servers of four TLS libraries."""

from __future__ import annotations

import asyncio
import shutil
import socket
import ssl
import subprocess
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import rsa
from support.tls import verdicts
from support.tls_servers import (
    Credentials,
    gnutls_server,
    issue,
    line_to,
    nginx_server,
    openssl_server,
    probe_tls,
    threaded,
    tls_handler,
)

from hardenprobe.checking.views.tls import disagreements
from hardenprobe.facts import TlsPort, TlsSecondOpinion, TlsSuites
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.probes.tls.classes import MOST
from hardenprobe.probes.tls.second_opinion import probe_second_opinion

pytestmark = [pytest.mark.peer, pytest.mark.slow]


@dataclass(frozen=True)
class Keys:
    folder: Path
    rsa: Credentials
    ec: Credentials


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Keys:
    folder = tmp_path_factory.mktemp("peers")
    short = rsa.generate_private_key(65537, 2048)
    return Keys(folder, issue(folder, "rsa", key=short), issue(folder, "ec"))


def ask(port: int) -> tuple[TlsPort, TlsSuites, TlsSecondOpinion, DeviceLink]:
    async def run() -> tuple[TlsPort, TlsSuites, TlsSecondOpinion, DeviceLink]:
        line = line_to(port)
        versions, suites = await probe_tls(line, port, anchors=TrustAnchors(), depth="full")
        [second] = await probe_second_opinion(line_to(port), port)
        return versions.facts, suites.facts, second.facts, line

    return asyncio.run(run())


def cost_of_suites(port: int) -> int:
    """Connections for versions and suites alone."""
    line = line_to(port)
    asyncio.run(probe_tls(line, port, anchors=TrustAnchors(), depth="suites"))
    return line.cost.connections


def by_classes(port: int) -> tuple[TlsPort, TlsSuites]:
    """What one suite of each class tells."""
    found = asyncio.run(probe_tls(line_to(port), port, anchors=TrustAnchors(), depth="classes"))
    return found[0].facts, found[1].facts


def compare(port: int) -> tuple[TlsPort, TlsSuites]:
    versions, suites, second, line = ask(port)
    accepted = sum(len(found) for version, found in suites.suites.items() if version != "SSL 2.0")

    assert second.fault is None
    assert len(second.suites) == 6
    assert suites.unknown_why == {}
    assert disagreements(suites, second) == []
    told = {version for version, state in versions.versions.items() if state == "accepted"}
    assert told >= {version for version, found in second.suites.items() if found}
    assert "unknown" not in versions.versions.values()
    assert line.cost.connections <= accepted + 16
    assert cost_of_suites(port) <= accepted + 7  # one more where a server closes in place of an alert
    gentle = by_classes(port)
    assert verdicts(*gentle) == verdicts(versions, suites)
    assert gentle[1].connections <= MOST
    return versions, suites


OPENSSL = {
    "everything": ("-cipher", "ALL:@SECLEVEL=0", "-min_protocol", "TLSv1"),
    "default": (),
    "six suites": ("-cipher", "ECDHE+AESGCM:ECDHE+CHACHA20", "-min_protocol", "TLSv1.2"),
    "TLS 1.3 only": ("-tls1_3",),
    "TLS 1.2 only": ("-tls1_2",),
    "TLS 1.0 only": ("-tls1", "-cipher", "ALL:@SECLEVEL=0"),
    "TLS 1.1 and 1.2": (
        "-min_protocol",
        "TLSv1.1",
        "-max_protocol",
        "TLSv1.2",
        "-cipher",
        "DEFAULT:@SECLEVEL=0",
    ),
    "server order": ("-serverpref",),
    "one suite": ("-tls1_2", "-cipher", "ECDHE-RSA-AES128-GCM-SHA256"),
    "CCM and ARIA": ("-tls1_2", "-cipher", "AESCCM:ARIA:@SECLEVEL=0"),
    "client certificate": ("-Verify", "1"),
    "secp384r1": ("-groups", "P-384"),
}


@pytest.mark.skipif(not shutil.which("openssl"), reason="needs the Debian package openssl")
@pytest.mark.parametrize("configuration", OPENSSL)
def test_openssl(configuration: str, keys: Keys) -> None:
    with openssl_server(keys.rsa, *OPENSSL[configuration]) as port:
        versions, suites = compare(port)

    if configuration == "client certificate":
        assert versions.certificate_requested
    if configuration == "server order":
        assert suites.preference["TLS 1.2"] == "server"
    if configuration == "secp384r1":
        assert {v: set(g) for v, g in suites.groups.items()} == {
            "TLS 1.3": {"secp384r1"},
            "TLS 1.2": {"secp384r1"},
        }
        assert suites.groups_complete == {"TLS 1.3": True, "TLS 1.2": True}
    assert versions.chains


@pytest.mark.skipif(not shutil.which("openssl"), reason="needs the Debian package openssl")
@pytest.mark.parametrize("ciphers", ["eNULL:!aNULL:@SECLEVEL=0", "aNULL:@SECLEVEL=0"])
def test_what_the_second_opinion_cannot_connect_to(ciphers: str, keys: Keys) -> None:
    """sslyze needs one ordinary suite to begin with; here OpenSSL's own list is the other opinion."""
    command = ["openssl", "ciphers", "-s", "-tls1_2", "-stdname", ciphers]
    listed = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    # The server has an RSA key, no pre-shared key and no password verifier.
    names = {line.split()[0] for line in listed.splitlines()}
    expected = {
        n
        for n in names
        if "PSK" not in n and "SRP" not in n and "ECDSA" not in n and not n.startswith("TLS_AES")
    }
    with openssl_server(keys.rsa, "-tls1_2", "-cipher", ciphers) as port:
        versions, suites, second, _ = ask(port)

        gentle = by_classes(port)

    assert verdicts(*gentle) == verdicts(versions, suites)
    assert second.fault is not None
    assert set(suites.suites["TLS 1.2"]) == expected
    assert bool(versions.chains) == ("eNULL" in ciphers)


@pytest.mark.skipif(not shutil.which("openssl"), reason="needs the Debian package openssl")
def test_openssl_with_two_certificates(keys: Keys) -> None:
    more = ("-dkey", str(keys.ec.key_file), "-dcert", str(keys.ec.certificate_file))
    with openssl_server(keys.rsa, *more, "-tls1_2") as port:
        versions, suites = compare(port)

    labels = {chain.label for chain in (*versions.chains, *suites.chains)}
    kinds = {chain.certificates[0].key_type for chain in (*versions.chains, *suites.chains)}
    assert kinds == {"RSA", "EC"}
    assert len(labels) == 2 and "" in labels


GNUTLS = {
    "default": "NORMAL",
    "old": "NORMAL:-VERS-ALL:+VERS-TLS1.0:+VERS-TLS1.1:+VERS-TLS1.2:+3DES-CBC:+ARCFOUR-128:+MD5:%VERIFY_ALLOW_SIGN_WITH_SHA1",
    "server order": "NORMAL:%SERVER_PRECEDENCE",
    "anonymous": "NORMAL:+ANON-ECDH:+ANON-DH",
}


@pytest.mark.skipif(not shutil.which("gnutls-serv"), reason="needs the Debian package gnutls-bin")
@pytest.mark.parametrize("configuration", GNUTLS)
def test_gnutls(configuration: str, keys: Keys) -> None:
    with gnutls_server(keys.rsa, GNUTLS[configuration]) as port:
        compare(port)


@pytest.mark.skipif(not shutil.which("nginx"), reason="needs the Debian package nginx-light")
@pytest.mark.parametrize(
    ("protocols", "ciphers"),
    [("TLSv1.2 TLSv1.3", "HIGH:!aNULL"), ("TLSv1 TLSv1.1 TLSv1.2", "ALL:@SECLEVEL=0")],
)
def test_nginx(protocols: str, ciphers: str, keys: Keys) -> None:
    with nginx_server(keys.folder, keys.rsa, protocols, ciphers) as port:
        compare(port)


def test_python(keys: Keys) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(keys.rsa.certificate_file, keys.rsa.key_file)

    with threaded(tls_handler(context)) as port:
        compare(port)


def tlslite_server(keys: Keys, **changes: object) -> AbstractContextManager[int]:
    api = pytest.importorskip("tlslite.api")
    chain = api.X509CertChain()
    chain.parsePemList(keys.rsa.certificate_file.read_text())
    key = api.parsePEMKey(keys.rsa.key_file.read_text(), private=True)
    settings = api.HandshakeSettings()
    for name, value in changes.items():
        setattr(settings, name, value)

    def handle(connection: socket.socket) -> None:
        secured = api.TLSConnection(connection)
        secured.handshakeServer(
            certChain=chain, privateKey=key, settings=settings, anon=bool(changes.get("anon"))
        )
        secured.read(1)

    return threaded(handle)


OLD = {
    "minVersion": (3, 0),
    "cipherNames": ["aes128gcm", "aes256", "aes128", "3des", "rc4", "null"],
    "macNames": ["sha", "sha256", "sha384", "aead", "md5"],
}


@pytest.mark.parametrize(
    "changes",
    [{}, OLD, {"maxVersion": (3, 3)}],
    ids=["default", "SSL 3.0 to TLS 1.3", "up to TLS 1.2"],
)
def test_tlslite(changes: dict[str, object], keys: Keys) -> None:
    with tlslite_server(keys, **changes) as port:
        versions, _ = compare(port)

    assert versions.versions["SSL 3.0"] == ("accepted" if "minVersion" in changes else "refused")
