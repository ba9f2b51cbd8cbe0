"""The lab's own certification authority, and a certificate for every device. Made at start, gone at exit.

Source: RFC 5280 (certificates and extensions).
"""

from __future__ import annotations

import hashlib
import ssl
import warnings
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from hardenprobe.demo_lab.declarations import Tls, Virtual
from hardenprobe.demo_lab.named_keys import named_key, rsa_key

Key = ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey

PADDING = x509.ObjectIdentifier("1.3.6.1.4.1.32473.1")  # an enterprise number for documentation, RFC 5612

# Days from now to the beginning and the end of validity.
_DAYS = {"valid": (-30, 330), "expired": (-400, -40), "not-yet": (20, 385), "ending": (-353, 12)}

_TLS = {
    "1.0": ssl.TLSVersion.TLSv1,
    "1.1": ssl.TLSVersion.TLSv1_1,
    "1.2": ssl.TLSVersion.TLSv1_2,
    "1.3": ssl.TLSVersion.TLSv1_3,
}


def key_digest(key: Key) -> str:
    """SHA-256 of the SubjectPublicKeyInfo, hex: what an inventory pins."""
    public = key.public_key().public_bytes(
        serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    return hashlib.sha256(public).hexdigest()


class Authority:
    """A certification authority with a key of its own, new at every start, since somebody could come to trust it.

    Args:
        folder: Private to us; takes the authority's certificate and the devices' files.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._now = datetime.now(UTC).replace(microsecond=0)
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = _name("Demo lab authority")
        builder = _builder(self._name, self._name, self._key, self._now, -500, 3000)
        self._certificate = (
            builder.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .add_extension(_usage(authority=True), critical=True)
            .sign(self._key, hashes.SHA256())
        )
        self.file = folder / "lab-ca.pem"
        self.file.write_bytes(self._certificate.public_bytes(serialization.Encoding.PEM))

    def context(self, device: Virtual) -> ssl.SSLContext | None:
        """The server side of a device's TLS, None where it has none."""
        tls = device.lab.tls if device.lab else None
        if tls is None:
            return None
        name = tls.key or device.listed.asset_tag
        key: Key = named_key(name) if tls.key_type == "ec-p256" else rsa_key(name)
        file = self._folder / f"{hashlib.sha256(device.listed.asset_tag.encode()).hexdigest()[:16]}.pem"
        file.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
            + self._issue(device, tls, key).public_bytes(serialization.Encoding.PEM)
            + b"".join(
                self._issue(device, tls, named_key(f"{name} {n}")).public_bytes(serialization.Encoding.PEM)
                for n in range(tls.more)
            )
        )
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        old = {"1.0", "1.1"} & set(tls.versions)
        # At its default security level OpenSSL 3 offers nothing below TLS 1.2.
        if tls.ciphers or old:
            context.set_ciphers(f"{tls.ciphers or 'DEFAULT'}{':@SECLEVEL=0' if old else ''}")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # old versions are what old devices have
            context.minimum_version = _TLS[min(tls.versions)]
            context.maximum_version = _TLS[max(tls.versions)]
        context.load_cert_chain(file)
        return context

    def _issue(self, device: Virtual, tls: Tls, key: Key) -> x509.Certificate:
        subject = _name((tls.names or device.listed.names or (device.listed.asset_tag,))[0])
        own = tls.issuer == "self-signed"
        first, last = _DAYS[tls.dates]
        builder = _builder(subject, subject if own else self._name, key, self._now, first, last)
        builder = (
            builder.add_extension(x509.SubjectAlternativeName(_alternatives(device, tls)), critical=False)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(_usage(authority=False), critical=True)
        )
        if tls.purpose != "any":
            oid = (
                ExtendedKeyUsageOID.SERVER_AUTH
                if tls.purpose == "server"
                else ExtendedKeyUsageOID.CLIENT_AUTH
            )
            builder = builder.add_extension(x509.ExtendedKeyUsage([oid]), critical=False)
        if tls.padding:
            more = x509.UnrecognizedExtension(PADDING, bytes(tls.padding))
            builder = builder.add_extension(more, critical=False)
        if not own:
            issuer = x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key())
            builder = builder.add_extension(issuer, critical=False)
        return builder.sign(key if own else self._key, hashes.SHA256())


def _name(text: str) -> x509.Name:
    return x509.Name(
        [
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, "River Port Authority (invented)"),
            x509.NameAttribute(NameOID.COMMON_NAME, text[:64]),
        ]
    )


def _builder(
    subject: x509.Name, issuer: x509.Name, key: Key, now: datetime, first: int, last: int
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now + timedelta(days=first))
        .not_valid_after(now + timedelta(days=last))
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )


def _alternatives(device: Virtual, tls: Tls) -> list[x509.GeneralName]:
    if tls.names:
        return [x509.DNSName(name) for name in tls.names]
    names = [x509.DNSName(name) for name in device.listed.names]
    return [*names, *(x509.IPAddress(ip_address(a)) for a in device.listed.addresses)]


def _usage(*, authority: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not authority,
        key_encipherment=not authority,
        key_cert_sign=authority,
        crl_sign=authority,
        content_commitment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )
