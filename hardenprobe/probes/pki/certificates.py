"""Certificate facts, and the path from a chain to a trust anchor.

The path is judged apart from dates: an expired certificate on a good path is trusted and expired. Revocation is never
asked, and no certificate is fetched. Source: RFC 5280 sections 4.2 and 6.1, without policies.
"""

from __future__ import annotations

import base64
import hashlib
import ssl
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path as FilePath

from cryptography import x509
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric import dsa, ec, ed448, ed25519, padding, rsa
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from cryptography.x509.oid import SignatureAlgorithmOID

from hardenprobe.errors import FileInvalid
from hardenprobe.facts import Certificate, Chain, Path
from hardenprobe.probes.pki.name_constraints import violation

_NAMES_LIMIT = 100
_TEXT_LIMIT = 512
_DEPTH = 10
# What the path below takes into account (RFC 5280 section 4.2); another critical extension breaks the path.
_UNDERSTOOD = {
    "2.5.29.14",
    "2.5.29.15",
    "2.5.29.17",
    "2.5.29.18",
    "2.5.29.19",
    "2.5.29.30",
    "2.5.29.31",
    "2.5.29.32",
    "2.5.29.35",
    "2.5.29.37",
}
_RSA_SIGNATURES = "1.2.840.113549.1.1."  # RFC 8017 appendix C
_BROKEN_X509 = (x509.DuplicateExtension, x509.InvalidVersion, x509.UnsupportedGeneralNameType)
_BROKEN = (ValueError, TypeError, KeyError, UnsupportedAlgorithm, *_BROKEN_X509)


@dataclass(frozen=True)
class TrustAnchors:
    """Certificates that are trusted as they are.

    Attributes:
        sources: The files they were read from.
    """

    certificates: tuple[x509.Certificate, ...] = ()
    sources: tuple[str, ...] = ()
    by_subject: dict[bytes, list[x509.Certificate]] = field(init=False, default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        for certificate in self.certificates:
            self.by_subject.setdefault(certificate.subject.public_bytes(), []).append(certificate)

    @classmethod
    def load(cls, files: Iterable[str | FilePath] = (), *, system: bool = True) -> TrustAnchors:
        """Read PEM files of certificates, beside the system's own.

        Raises:
            FileInvalid: A named file cannot be read, or holds no certificate.
        """
        found: list[x509.Certificate] = []
        sources: list[str] = []
        for file in files:
            try:
                found += _read_pem(FilePath(file).read_bytes())
            except OSError as exc:
                raise FileInvalid(str(file), None, f"cannot be read: {exc.strerror}") from None
            except ValueError as exc:
                raise FileInvalid(str(file), None, f"holds no PEM certificate: {exc}") from None
            sources.append(str(file))
        paths = ssl.get_default_verify_paths()
        if system and paths.cafile:
            try:
                found += _read_pem(FilePath(paths.cafile).read_bytes())
                sources.append(paths.cafile)
            except (OSError, ValueError):
                pass  # a machine without a trust store has no trust anchor, which is an answer
        return cls(certificates=tuple(found), sources=tuple(sources))


def _read_pem(data: bytes) -> list[x509.Certificate]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # old roots have odd serial numbers
        found = x509.load_pem_x509_certificates(data)
    try:
        for certificate in found:
            certificate.subject.public_bytes()
    except _BROKEN as exc:
        raise ValueError("one of its certificates has a name that cannot be read") from exc
    return found


def describe_chain(
    ders: Sequence[bytes], anchors: TrustAnchors, *, label: str = "", left_out: int = 0
) -> Chain:
    """Read a chain as it was sent and look for its path. Never raises: what cannot be read is said."""
    parsed: list[x509.Certificate] = []
    described: list[Certificate] = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for index, der in enumerate(ders):
            try:
                certificate = x509.load_der_x509_certificate(der)
                described.append(_describe(certificate, der))
            except Exception as exc:  # noqa: BLE001 - the library raises whatever its parser comes upon
                if index == 0:
                    fault = f"the certificate cannot be read: {str(exc)[:200]}"
                    path = Path(trusted=False, anchor=None, error=fault)
                    return Chain(label=label, certificates=(), path=path, left_out=len(ders), fault=fault)
                left_out += 1
                continue
            parsed.append(certificate)
        if not parsed:
            path = Path(trusted=False, anchor=None, error="no certificate came")
            return Chain(label=label, certificates=(), path=path, left_out=left_out, fault=path.error)
        path = _find_path(parsed[0], parsed[1:], anchors, described[0].self_signed)
    return Chain(label=label, certificates=tuple(described), path=path, left_out=left_out)


def _find_path(
    leaf: x509.Certificate, others: Sequence[x509.Certificate], anchors: TrustAnchors, self_signed: bool
) -> Path:
    """Look for a path from a leaf over `others` to an anchor; dates are not checked."""
    if leaf in anchors.certificates:
        return _found([leaf])
    errors: list[str] = []
    if error := critical_fault(leaf):
        return Path(trusted=False, anchor=None, error=error)
    steps = [0]

    def climb(chain: list[x509.Certificate]) -> list[x509.Certificate] | None:
        steps[0] += 1
        # A hostile chain of look-alikes must not make the search explode.
        if len(chain) > _DEPTH or steps[0] > 200:
            errors.append("the path is too long")
            return None
        last = chain[-1]
        for anchor in anchors.by_subject.get(last.issuer.public_bytes(), ()):
            if _issued(last, anchor, len(chain) - 1, errors, trusted=True):
                if broken := violation([*chain, anchor]):
                    errors.append(broken)
                else:
                    return [*chain, anchor]
        for issuer in others:
            if issuer not in chain and issuer.subject == last.issuer:
                if error := critical_fault(issuer):
                    errors.append(error)
                elif _issued(last, issuer, len(chain) - 1, errors) and (done := climb([*chain, issuer])):
                    return done
        return None

    path = climb([leaf])
    if path:
        return _found(path)
    if not errors:
        errors.append("self-signed" if self_signed else "no path to a trust anchor")
    return Path(trusted=False, anchor=None, error=errors[0])


def _found(path: list[x509.Certificate]) -> Path:
    below = path[:-1] if len(path) > 1 else []
    return Path(
        trusted=True,
        anchor=_text(path[-1].subject),
        error=None,
        hashes=tuple(_hash(c) for c in below),
        issuers=tuple("{} {}".format(*_key(c)[:2]) for c in path[1:]),
    )


def _issued(
    child: x509.Certificate, issuer: x509.Certificate, below: int, errors: list[str], *, trusted: bool = False
) -> bool:
    """Tell whether `issuer` may have issued `child`, with `below` intermediates under it, and did sign it."""
    name = _text(issuer.subject)
    try:
        basic = issuer.extensions.get_extension_for_class(x509.BasicConstraints).value
    except x509.ExtensionNotFound:
        # A version 1 anchor has no extensions; trusting it is its owner's decision.
        basic = None
        if not (trusted and issuer.version is x509.Version.v1):
            errors.append(f"{name} is no authority")
            return False
    except _BROKEN:
        errors.append(f"the extensions of {name} cannot be read")
        return False
    if basic is not None:
        if not basic.ca:
            errors.append(f"{name} is no authority")
            return False
        if basic.path_length is not None and below > basic.path_length:
            errors.append(f"{name} allows {basic.path_length} authorities below it")
            return False
    try:
        usage = issuer.extensions.get_extension_for_class(x509.KeyUsage).value
        if not usage.key_cert_sign:
            errors.append(f"{name} may not sign certificates")
            return False
    except x509.ExtensionNotFound:
        pass
    try:
        _verify(child, issuer)
    except InvalidSignature:
        errors.append(f"the signature by {name} is wrong")
        return False
    except _BROKEN as exc:
        errors.append(f"the signature by {name} cannot be checked: {str(exc)[:120]}")
        return False
    return True


def _verify(child: x509.Certificate, issuer: x509.Certificate) -> None:
    """Check a signature, old hashes included: a weak hash is a fact of its own, and no reason to see no path.

    Raises:
        InvalidSignature: It is wrong.
        ValueError, TypeError, UnsupportedAlgorithm: It cannot be checked.
    """
    key, signature, signed = issuer.public_key(), child.signature, child.tbs_certificate_bytes
    digest = child.signature_hash_algorithm
    if isinstance(key, rsa.RSAPublicKey):
        oid = child.signature_algorithm_oid
        if digest is None or not oid.dotted_string.startswith(_RSA_SIGNATURES):
            raise ValueError("the signature is of another kind than the issuer's key")
        if oid != SignatureAlgorithmOID.RSASSA_PSS:
            key.verify(signature, signed, padding.PKCS1v15(), digest)
        else:
            scheme = child.signature_algorithm_parameters
            assert isinstance(scheme, padding.PSS)
            key.verify(signature, signed, scheme, digest)
    elif isinstance(key, ec.EllipticCurvePublicKey):
        if digest is None or not isinstance(child.signature_algorithm_parameters, ec.ECDSA):
            raise ValueError("the signature is of another kind than the issuer's key")
        key.verify(signature, signed, ec.ECDSA(digest))
    elif isinstance(key, dsa.DSAPublicKey):
        if digest is None:
            raise ValueError("the signature is of another kind than the issuer's key")
        key.verify(signature, signed, digest)
    elif isinstance(key, ed25519.Ed25519PublicKey | ed448.Ed448PublicKey):
        key.verify(signature, signed)
    else:
        raise UnsupportedAlgorithm("the issuer's key is of a kind that is not known")


def critical_fault(certificate: x509.Certificate) -> str | None:
    """Why no path may lead over a certificate: extensions that cannot be read, or a critical one that is not understood."""
    try:
        extensions = certificate.extensions
    except _BROKEN:
        return f"the extensions of {_text(certificate.subject)} cannot be read"
    for extension in extensions:
        if extension.critical and extension.oid.dotted_string not in _UNDERSTOOD:
            what = extension.oid.dotted_string
            return f"{_text(certificate.subject)} has a critical extension that is not understood: {what}"
    return None


def _self_signed(certificate: x509.Certificate) -> bool:
    try:
        if certificate.issuer != certificate.subject:
            return False
        _verify(certificate, certificate)
    except (InvalidSignature, *_BROKEN):
        return False
    return True


def _describe(certificate: x509.Certificate, der: bytes) -> Certificate:
    kind, bits, curve = _key(certificate)
    return Certificate(
        subject=_text(certificate.subject),
        issuer=_text(certificate.issuer),
        names=_alternative_names(certificate),
        not_before=_stamp(certificate.not_valid_before_utc),
        not_after=_stamp(certificate.not_valid_after_utc),
        serial=f"{certificate.serial_number:x}",
        key_type=kind,
        key_bits=bits,
        curve=curve,
        signature_hash=_hash(certificate),
        spki_sha256=spki_sha256(certificate),
        self_signed=_self_signed(certificate),
        sha256=hashlib.sha256(der).hexdigest(),
        der=base64.b64encode(der).decode("ascii"),
        authority=_authority(certificate),
        purposes=_purposes(certificate),
    )


def _authority(certificate: x509.Certificate) -> bool | None:
    try:
        return certificate.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    except x509.ExtensionNotFound:
        return False
    except _BROKEN:
        return None


def _purposes(certificate: x509.Certificate) -> tuple[str, ...] | None:
    try:
        found = certificate.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    except (x509.ExtensionNotFound, *_BROKEN):
        return None
    return tuple(purpose.dotted_string for purpose in found)[:_NAMES_LIMIT]


def spki_sha256(certificate: x509.Certificate) -> str:
    """Digest of the SubjectPublicKeyInfo (RFC 7469 section 2.4 pins the same bytes), hex."""
    try:
        info = certificate.public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    except _BROKEN:
        info = b"unreadable " + certificate.tbs_certificate_bytes
    return hashlib.sha256(info).hexdigest()


def _key(certificate: x509.Certificate) -> tuple[str, int | None, str | None]:
    try:
        key = certificate.public_key()
    except _BROKEN:
        return certificate.public_key_algorithm_oid.dotted_string, None, None
    if isinstance(key, rsa.RSAPublicKey):
        return "RSA", key.key_size, None
    if isinstance(key, ec.EllipticCurvePublicKey):
        return "EC", key.key_size, key.curve.name
    if isinstance(key, dsa.DSAPublicKey):
        return "DSA", key.key_size, None
    if isinstance(key, ed25519.Ed25519PublicKey):
        return "Ed25519", 256, None
    if isinstance(key, ed448.Ed448PublicKey):
        return "Ed448", 456, None
    return certificate.public_key_algorithm_oid.dotted_string, None, None


def _hash(certificate: x509.Certificate) -> str | None:
    try:
        algorithm = certificate.signature_hash_algorithm
    except UnsupportedAlgorithm:
        # The object ids of MD2 and MD4 with RSA (RFC 3279 section 2.2.1) have no class in the library.
        known = {"1.2.840.113549.1.1.2": "md2", "1.2.840.113549.1.1.3": "md4"}
        dotted = certificate.signature_algorithm_oid.dotted_string
        return known.get(dotted, dotted)
    return algorithm.name if algorithm else None


def _alternative_names(certificate: x509.Certificate) -> tuple[str, ...]:
    try:
        extension = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (x509.ExtensionNotFound, *_BROKEN):
        return ()
    names = [str(n) for n in extension.get_values_for_type(x509.DNSName)]
    names += [str(n) for n in extension.get_values_for_type(x509.IPAddress)]
    return tuple(name[:_TEXT_LIMIT] for name in names[:_NAMES_LIMIT])


def _text(name: x509.Name) -> str:
    return name.rfc4514_string()[:_TEXT_LIMIT]


def _stamp(when: datetime) -> str:
    return when.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
