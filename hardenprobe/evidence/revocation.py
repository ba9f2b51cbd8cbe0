"""Whether a certificate was revoked, from CRLs and OCSP responses that are given by file. Nothing is fetched.

Sources: RFC 5280 section 6.3 for CRLs, RFC 6960 sections 3.2 and 4.2.2 for OCSP responses.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from cryptography.x509 import ocsp
from cryptography.x509.oid import ExtendedKeyUsageOID

from hardenprobe.errors import FileInvalid
from hardenprobe.evidence.signature import BROKEN

MOST_BYTES = 64 * 1024 * 1024  # of one file; the largest CRLs that are published have some 10 MB
_PEM_CRL = re.compile(rb"-----BEGIN X509 CRL-----.+?-----END X509 CRL-----", re.DOTALL)
_ENTRY = (x509.CRLReason, x509.InvalidityDate)  # of a critical entry extension, what is understood

State = Literal["good", "revoked", "unknown"]


@dataclass(frozen=True, kw_only=True)
class Revocation:
    """What is known of one certificate.

    Attributes:
        text: For people: where that is from, or why nothing is known.
        at: When it was revoked, None where it was not.
    """

    state: State
    text: str
    at: datetime | None = None


@dataclass(frozen=True, kw_only=True)
class RevocationData:
    """Everything that was given by file."""

    crls: tuple[x509.CertificateRevocationList, ...] = ()
    responses: tuple[ocsp.OCSPResponse, ...] = ()

    @classmethod
    def load(cls, crls: Iterable[Path] = (), responses: Iterable[Path] = ()) -> RevocationData:
        """Read CRLs (PEM or DER) and OCSP responses (DER).

        Raises:
            FileInvalid: One cannot be read.
        """
        return cls(
            crls=tuple(one for path in crls for one in _crls(path)),
            responses=tuple(_response(path) for path in responses),
        )

    def of(self, certificate: x509.Certificate, issuer: x509.Certificate, at: datetime) -> Revocation:
        """What is known of a certificate at a time. A revocation outweighs everything else that was given.

        Args:
            issuer: The next certificate of its path, which is believed.
        """
        try:
            found = list(self._of(certificate, issuer, at))
        except BROKEN as exc:
            return Revocation(state="unknown", text=f"cannot be read ({type(exc).__name__})")
        best = [one for state in ("revoked", "good") for one in found if one.state == state]
        if best:
            return best[0]
        why = "; ".join(dict.fromkeys(one.text for one in found))
        return Revocation(state="unknown", text=why or "no CRL and no OCSP response of its issuer was given")

    def _of(
        self, certificate: x509.Certificate, issuer: x509.Certificate, at: datetime
    ) -> Iterator[Revocation]:
        for crl in self.crls:
            if crl.issuer == issuer.subject and crl.issuer == certificate.issuer:
                yield _by_crl(crl, certificate, issuer, at)
        for response in self.responses:
            yield from _by_response(response, certificate, issuer, at)


def _by_crl(
    crl: x509.CertificateRevocationList, certificate: x509.Certificate, issuer: x509.Certificate, at: datetime
) -> Revocation:
    """RFC 5280 section 6.3.3, for complete CRLs that the certificate's own issuer signed."""
    when = f"the CRL of {crl.last_update_utc:%Y-%m-%d %H:%M:%S} UTC"

    def unknown(why: str) -> Revocation:
        return Revocation(state="unknown", text=f"{when} {why}")

    if not _may(issuer, "crl_sign"):
        return unknown("is by a key that may not sign CRLs")
    if not crl.is_signature_valid(issuer.public_key()):  # type: ignore[arg-type]
        return unknown("is not signed by the issuer's key")
    if why := _partial(crl, certificate):
        return unknown(why)
    entry = crl.get_revoked_certificate_by_serial_number(certificate.serial_number)
    if entry is not None:
        if any(one.critical and not isinstance(one.value, _ENTRY) for one in entry.extensions):
            return unknown("has a critical entry extension that is not understood")
        return _revoked(entry, when, at)
    if crl.next_update_utc is None or crl.next_update_utc < at:
        ends = f"ends on {crl.next_update_utc:%Y-%m-%d %H:%M:%S} UTC" if crl.next_update_utc else "has no end"
        return unknown(f"{ends}, so that it says nothing of {at:%Y-%m-%d %H:%M:%S} UTC")
    return Revocation(state="good", text=f"not revoked by {when}")


def _revoked(entry: x509.RevokedCertificate, when: str, at: datetime) -> Revocation:
    since = entry.revocation_date_utc
    reason = "unspecified"
    for one in entry.extensions:
        if isinstance(one.value, x509.CRLReason):
            reason = one.value.reason.value
        elif isinstance(one.value, x509.InvalidityDate):
            since = min(since, one.value.invalidity_date_utc)
    return _at(since, f"({reason}), by {when}", at)


def _at(since: datetime, how: str, at: datetime) -> Revocation:
    said = f"revoked on {since:%Y-%m-%d %H:%M:%S} UTC {how}"
    if since > at:
        return Revocation(state="good", text=f"{said}, after {at:%Y-%m-%d %H:%M:%S} UTC", at=since)
    return Revocation(state="revoked", text=said, at=since)


def _partial(crl: x509.CertificateRevocationList, certificate: x509.Certificate) -> str | None:
    """Why a CRL does not speak for a certificate; None where it does."""
    for one in crl.extensions:
        value = one.value
        if isinstance(value, x509.DeltaCRLIndicator):
            return "is a delta CRL"
        if isinstance(value, x509.IssuingDistributionPoint):
            if value.indirect_crl or value.only_some_reasons or value.only_contains_attribute_certs:
                return "speaks for a part of what is revoked"
            authority = _is_authority(certificate)
            if value.only_contains_user_certs and authority or value.only_contains_ca_certs and not authority:
                return "speaks for certificates of another kind"
        elif one.critical and not isinstance(value, x509.AuthorityKeyIdentifier | x509.CRLNumber):
            return f"has the critical extension {one.oid.dotted_string}, which is not understood"
    return None


def _by_response(
    response: ocsp.OCSPResponse, certificate: x509.Certificate, issuer: x509.Certificate, at: datetime
) -> Iterator[Revocation]:
    if response.response_status is not ocsp.OCSPResponseStatus.SUCCESSFUL:
        yield Revocation(state="unknown", text=f"an OCSP response says {response.response_status.name}")
        return
    for one in response.responses:
        if not _about(one, certificate, issuer):
            continue
        when = f"the OCSP response of {one.this_update_utc:%Y-%m-%d %H:%M:%S} UTC"
        if not _signed_for(response, issuer):
            yield Revocation(
                state="unknown", text=f"{when} is not signed by the issuer or whom it has delegated"
            )
        elif one.certificate_status is ocsp.OCSPCertStatus.REVOKED and one.revocation_time_utc:
            reason = one.revocation_reason.value if one.revocation_reason else "unspecified"
            yield _at(one.revocation_time_utc, f"({reason}), by {when}", at)
        elif one.certificate_status is not ocsp.OCSPCertStatus.GOOD:
            yield Revocation(state="unknown", text=f"{when} does not know it")
        elif (one.next_update_utc or one.this_update_utc) < at:
            yield Revocation(
                state="unknown",
                text=f"{when} is older than {at:%Y-%m-%d %H:%M:%S} UTC and says nothing of that time",
            )
        else:
            yield Revocation(state="good", text=f"not revoked by {when}")


def _about(one: ocsp.OCSPSingleResponse, certificate: x509.Certificate, issuer: x509.Certificate) -> bool:
    """RFC 6960 section 4.1.1: CertID."""
    if one.serial_number != certificate.serial_number:
        return False
    name = hashlib.new(one.hash_algorithm.name, certificate.issuer.public_bytes()).digest()
    key = hashlib.new(one.hash_algorithm.name, _key_bits(issuer)).digest()
    return hmac.compare_digest(name, one.issuer_name_hash) and hmac.compare_digest(key, one.issuer_key_hash)


def _key_bits(certificate: x509.Certificate) -> bytes:
    """The value of the subjectPublicKey bit string, without tag, length and the count of unused bits."""
    key: Any = certificate.public_key()
    if isinstance(key, rsa.RSAPublicKey):
        return key.public_bytes(Encoding.DER, PublicFormat.PKCS1)
    return bytes(key.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint))


def _signed_for(response: ocsp.OCSPResponse, issuer: x509.Certificate) -> bool:
    """RFC 6960 section 4.2.2.2: by the issuer itself, or by a certificate that it issued for this purpose."""
    if _signed_by(response, issuer):
        return True
    for one in response.certificates:
        try:
            usage = one.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
            one.verify_directly_issued_by(issuer)
        except (x509.ExtensionNotFound, InvalidSignature, *BROKEN):
            continue
        valid = one.not_valid_before_utc <= response.produced_at_utc <= one.not_valid_after_utc
        if ExtendedKeyUsageOID.OCSP_SIGNING in usage and valid and _signed_by(response, one):
            return True
    return False


def _signed_by(response: ocsp.OCSPResponse, signer: x509.Certificate) -> bool:
    key, algorithm = signer.public_key(), response.signature_hash_algorithm
    try:
        if algorithm is None or algorithm.name in ("md5", "sha1"):
            return False
        if isinstance(key, rsa.RSAPublicKey):
            key.verify(response.signature, response.tbs_response_bytes, padding.PKCS1v15(), algorithm)
        elif isinstance(key, ec.EllipticCurvePublicKey):
            key.verify(response.signature, response.tbs_response_bytes, ec.ECDSA(algorithm))
        else:
            return False
    except InvalidSignature:
        return False
    return True


def _may(certificate: x509.Certificate, usage: str) -> bool:
    try:
        found = certificate.extensions.get_extension_for_class(x509.KeyUsage).value
    except x509.ExtensionNotFound:
        return True
    return bool(getattr(found, usage))


def _is_authority(certificate: x509.Certificate) -> bool:
    try:
        return certificate.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    except x509.ExtensionNotFound:
        return False


def _crls(path: Path) -> list[x509.CertificateRevocationList]:
    data = _read(path)
    try:
        blocks = _PEM_CRL.findall(data)
        found = [x509.load_pem_x509_crl(one) for one in blocks] or [x509.load_der_x509_crl(data)]
    except BROKEN as exc:
        raise FileInvalid(str(path), None, "holds no CRL in PEM or DER") from exc
    return found


def _response(path: Path) -> ocsp.OCSPResponse:
    try:
        return ocsp.load_der_ocsp_response(_read(path))
    except BROKEN as exc:
        raise FileInvalid(str(path), None, "holds no OCSP response in DER") from exc


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as exc:
        raise FileInvalid(str(path), None, f"cannot be read: {exc.strerror}") from exc
    if len(data) > MOST_BYTES:
        raise FileInvalid(str(path), None, f"has more than {MOST_BYTES} bytes")
    return data


@dataclass(frozen=True, kw_only=True)
class PathRevocation:
    """What is known of every certificate of a path but its anchor."""

    revoked: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    good: tuple[str, ...] = ()


def of_path(
    path: Sequence[x509.Certificate],
    data: RevocationData,
    at: datetime,
    name: Callable[[x509.Certificate], str],
) -> PathRevocation:
    """Check a path, the leaf first. A trust anchor is believed as it is (RFC 5280 section 6.1.1).

    Args:
        name: Makes of a certificate what people call it.
    """
    said: dict[State, list[str]] = {"revoked": [], "unknown": [], "good": []}
    for certificate, issuer in pairwise(path):
        found = data.of(certificate, issuer, at)
        said[found.state].append(f"{name(certificate)}: {found.text}")
    return PathRevocation(**{state: tuple(lines) for state, lines in said.items()})
