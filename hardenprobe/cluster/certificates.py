"""A private authority, and a certificate for each party of a cluster: the scheduler, whoever scans, and every vantage point.

Each party gets a folder with what it needs and nothing else; the authority's key stays where it was made.

Source: RFC 5280 (certificates and extensions).
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from hardenprobe.errors import FileInvalid, UsageError, clip

AUTHORITY, CERTIFICATE, KEY = "authority.pem", "certificate.pem", "key.pem"
SCHEDULER, SCAN = "scheduler", "scan"
"""The parties that every cluster has: the scheduler, and whoever runs scans. All others are vantage points."""

_AUTHORITY_KEY = "authority-key.pem"
_AUTHORITY_DAYS = 3650
_NAME = re.compile(
    r"[A-Za-z0-9][A-Za-z0-9._-]{0,62}"
)  # fits a file name, and a common name (64, RFC 5280 A.1)

Key = ec.EllipticCurvePrivateKey


def check_name(name: str) -> str:
    """The name of a party, as it was given.

    Raises:
        UsageError: It is none.
    """
    if not _NAME.fullmatch(name):
        raise UsageError(
            f"{clip(name)} is no name of a vantage point: letters, digits, dots, dashes and underscores, at most 63"
        )
    return name


def make(folder: Path, names: Iterable[str], days: int) -> list[Path]:
    """Make a folder with a certificate for each party; the authority is made with the first of them.

    Args:
        folder: Where the authority is, or will be.
        names: Of the parties.
        days: That the certificates are valid.

    Returns:
        The folders, in order.

    Raises:
        UsageError: A name is none, or has a certificate already.
        FileInvalid: A file cannot be read or written.
    """
    parties = [check_name(name) for name in names]
    if taken := next((name for name in parties if (folder / name).exists()), None):
        raise UsageError(
            f"{folder / taken} is there already; remove it to make a new certificate for {taken}"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        certificate, key = _authority(folder)
        return [_party(folder / name, name, certificate, key, days) for name in parties]
    except OSError as exc:
        raise FileInvalid(str(exc.filename or folder), None, f"cannot be written: {exc.strerror}") from exc


def _authority(folder: Path) -> tuple[x509.Certificate, Key]:
    """The authority of a folder, made where there is none."""
    file, secret = folder / AUTHORITY, folder / _AUTHORITY_KEY
    if secret.exists():
        try:
            key = serialization.load_pem_private_key(secret.read_bytes(), None)
            certificate = x509.load_pem_x509_certificate(file.read_bytes())
        except (OSError, ValueError, TypeError) as exc:
            raise FileInvalid(
                str(folder), None, "its authority cannot be read; choose another folder"
            ) from exc
        if not isinstance(key, Key):
            raise FileInvalid(str(secret), None, "is no key that hardenprobe made; choose another folder")
        return certificate, key
    key = ec.generate_private_key(ec.SECP256R1())
    name = _called("hardenprobe vantage points")
    certificate = (
        _builder(name, name, key, _AUTHORITY_DAYS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(authority=True), critical=True)
        .sign(key, hashes.SHA256())
    )
    _write(secret, _private(key), 0o600)
    _write(file, certificate.public_bytes(serialization.Encoding.PEM), 0o644)
    return certificate, key


def _party(folder: Path, name: str, authority: x509.Certificate, signer: Key, days: int) -> Path:
    key = ec.generate_private_key(ec.SECP256R1())
    certificate = (
        _builder(_called(name), authority.subject, key, days)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(authority=False), critical=True)
        .add_extension(
            x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH]),
            critical=False,
        )
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key()), critical=False
        )
        .sign(signer, hashes.SHA256())
    )
    folder.mkdir(mode=0o700)
    _write(folder / AUTHORITY, authority.public_bytes(serialization.Encoding.PEM), 0o644)
    _write(folder / CERTIFICATE, certificate.public_bytes(serialization.Encoding.PEM), 0o644)
    _write(folder / KEY, _private(key), 0o600)
    return folder


def _called(name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])


def _builder(subject: x509.Name, issuer: x509.Name, key: Key, days: int) -> x509.CertificateBuilder:
    now = datetime.now(UTC).replace(microsecond=0)
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))  # the other party's clock may be behind
        .not_valid_after(now + timedelta(days=days))
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )


def _usage(*, authority: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not authority,
        key_cert_sign=authority,
        crl_sign=authority,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _private(key: Key) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )


def _write(file: Path, data: bytes, mode: int) -> None:
    """Write a new file that was never readable by more than `mode` says."""
    with os.fdopen(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as out:
        out.write(data)
