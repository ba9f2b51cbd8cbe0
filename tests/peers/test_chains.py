"""Chains that servers send, against OpenSSL's test server; OpenSSL's verification says beside each what a client makes of it."""

from __future__ import annotations

import ipaddress
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from hardenprobe.model import Review

pytestmark = [pytest.mark.peer, pytest.mark.slow]

GOOD, OVER = (-10, 300), (-400, -3)  # days from now


@dataclass(frozen=True)
class Party:
    """A name with its key."""

    name: x509.Name
    key: ec.EllipticCurvePrivateKey


def party(name: str) -> Party:
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    return Party(subject, ec.generate_private_key(ec.SECP256R1()))


def issue(
    subject: Party, issuer: Party, *, days: tuple[int, int] = GOOD, host: str = "", authority: bool = True,
    purpose: Any = ExtendedKeyUsageOID.SERVER_AUTH,
) -> bytes:  # fmt: skip
    """A certificate of an authority, or of a server where a host is given."""
    now = datetime.now(UTC)
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject.name)
        .issuer_name(issuer.name)
        .public_key(subject.key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now + timedelta(days=days[0]))
        .not_valid_after(now + timedelta(days=days[1]))
        .add_extension(x509.BasicConstraints(ca=authority and not host, path_length=None), critical=True)
    )
    if host:
        names = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(host))])
        builder = builder.add_extension(names, critical=False).add_extension(
            x509.ExtendedKeyUsage([purpose]), critical=False
        )
    made = builder.sign(issuer.key, hashes.SHA256())
    return made.public_bytes(serialization.Encoding.PEM)


def secret(one: Party) -> bytes:
    return one.key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )


def version_1(one: Party, where: Path, openssl: str) -> bytes:
    """A root without extensions, of X.509 version 1."""
    (where / "key.pem").write_bytes(secret(one))
    name = f"/CN={one.name.get_attributes_for_oid(NameOID.COMMON_NAME)[0].value}"
    done = subprocess.run(
        (openssl, "req", "-new", "-key", where / "key.pem", "-subj", name), capture_output=True, check=True
    )
    made = subprocess.run(
        (openssl, "x509", "-req", "-signkey", where / "key.pem", "-days", "300"), input=done.stdout,
        capture_output=True, check=True,
    ).stdout  # fmt: skip
    assert x509.load_pem_x509_certificate(made).version is x509.Version.v1
    return made


# Server to what a client makes of it, and the words of two checks.
TRUTH: dict[str, tuple[bool, set[str], set[str]]] = {
    "sound": (True, {"pass"}, {"pass"}),
    "for clients alone": (False, {"fail not for servers"}, {"pass"}),
    "issuer is no authority": (False, {"fail issuer 1"}, {"pass"}),
    "issuer has expired": (False, {"pass"}, {"pass", "fail expired, issuer 1"}),
    # The client has the root; the certificate that another root once gave it is not on the path.
    "root's cross-certificate has expired": (True, {"pass"}, {"pass"}),
    "one of two cross-certificates has expired": (True, {"pass"}, {"pass"}),
    "root of version 1 that is nobody's anchor": (False, {"pass"}, {"pass"}),
    "what is sent along is of another device": (True, {"pass"}, {"pass"}),
}


@pytest.fixture(scope="module")
def servers(
    address: Callable[[], str], folder: Callable[[str], Path], program: Callable[[str, str], str],
    s_server: Callable[..., None],
) -> tuple[dict[str, str], dict[str, bool], Path]:  # fmt: skip
    """Hosts, what OpenSSL says of each, and the file of the trust anchor."""
    openssl, where = program("openssl", "openssl"), folder("chains")
    root, older, middle, plain, old = map(
        party, ("Root", "Older root", "Middle", "Plain", "Root of version 1")
    )
    anchor = where / "anchor.pem"
    anchor.write_bytes(issue(root, root))
    sent: dict[str, tuple[Party, dict[str, Any], tuple[bytes, ...]]] = {
        "sound": (middle, {}, (issue(middle, root),)),
        "for clients alone": (middle, {"purpose": ExtendedKeyUsageOID.CLIENT_AUTH}, (issue(middle, root),)),
        "issuer is no authority": (plain, {}, (issue(plain, root, authority=False),)),
        "issuer has expired": (middle, {}, (issue(middle, root, days=OVER),)),
        "root's cross-certificate has expired": (
            middle, {}, (issue(middle, root), issue(root, older, days=OVER)),
        ),
        "one of two cross-certificates has expired": (
            middle, {}, (issue(middle, older, days=OVER), issue(middle, root)),
        ),
        "root of version 1 that is nobody's anchor": (old, {}, (version_1(old, where, openssl),)),
        "what is sent along is of another device": (
            middle, {}, (issue(middle, root), issue(party("Other"), plain, days=OVER, authority=False)),
        ),
    }  # fmt: skip
    hosts, verified = {}, {}
    for number, (name, (issuer, more, chain)) in enumerate(sent.items()):
        host, leaf = address(), party(f"device {number}")
        made = issue(leaf, issuer, host=host, **more)
        both, others = where / f"{number}.pem", where / f"{number}-chain.pem"
        both.write_bytes(made + secret(leaf))
        others.write_bytes(b"".join(chain))
        s_server(host, both, "-cert_chain", str(others))
        hosts[name] = host
        done = subprocess.run(
            (openssl, "verify", "-purpose", "sslserver", "-CAfile", anchor, "-untrusted", others, both),
            capture_output=True, check=False,
        )  # fmt: skip
        verified[name] = done.returncode == 0
    return hosts, verified, anchor


@pytest.fixture(scope="module")
def review(servers: Any, scan: Callable[..., Review]) -> Review:
    hosts, _, anchor = servers
    return scan(*hosts.values(), anchors=[anchor])


@pytest.mark.parametrize("name", TRUTH)
def test_a_chain_is_judged_by_what_of_it_a_client_needs(
    name: str, servers: Any, review: Review, said: Any
) -> None:
    hosts, verified, _ = servers
    accepted, defects, dates = TRUTH[name]

    def words(check: str) -> set[str]:
        return {f"{word} {subject or ''}".strip() for _, subject, word in said(review, hosts[name], check)}

    assert verified[name] == accepted
    assert words("tls-chain-defects") == defects
    assert words("tls-certificate-dates") == dates
