"""Detached signatures: CMS SignedData (RFC 5652) with signed attributes, made and checked.

Whoever made the bytes that are checked here may be an attacker. What a signature does not cover must be what it would be
in one that was made by the book, so that no byte of it can be changed unseen.
"""

from __future__ import annotations

import hashlib
import hmac
import warnings
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from asn1crypto import cms
from cryptography import x509
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa

from hardenprobe.errors import UsageError

MOST_BYTES = 1024 * 1024  # a signature with its chain has some 5 kB
_HASHES: dict[str, hashes.HashAlgorithm] = {
    "sha256": hashes.SHA256(),
    "sha384": hashes.SHA384(),
    "sha512": hashes.SHA512(),
}
BROKEN = (
    ValueError, TypeError, KeyError, IndexError, AttributeError, OverflowError, RecursionError, UnsupportedAlgorithm,
    x509.InvalidVersion, x509.DuplicateExtension,
)  # fmt: skip
"""What hostile ASN.1 makes its readers raise."""


class Wrong(Exception):
    """A signature or a time stamp does not hold; the text says why."""


@dataclass(frozen=True, kw_only=True)
class Signed:
    """A signature that fits what was signed. Its certificate is not verified here.

    Attributes:
        others: Certificates that came with it.
        at: When its maker says that it was made.
        attributes: The signed attributes by name, each with its one value.
        content: The bytes that were signed.
    """

    certificate: x509.Certificate
    others: tuple[x509.Certificate, ...]
    at: datetime | None
    attributes: dict[str, Any]
    content: bytes


def sign(data: bytes, key: Any, certificates: list[x509.Certificate]) -> bytes:
    """Sign, detached, in DER.

    Args:
        certificates: The signer's, then those of its chain.

    Raises:
        UsageError: The key is of a kind that cannot sign, or is not the certificate's.
    """
    from cryptography.hazmat.primitives.serialization import pkcs7

    if not isinstance(key, rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey):
        raise UsageError("--key holds a key of another kind than RSA or EC")
    if isinstance(key, rsa.RSAPrivateKey) and key.key_size < 2048:
        raise UsageError(f"--key has {key.key_size} bits; RSA needs 2048 at least")
    if key.public_key() != certificates[0].public_key():
        raise UsageError("--key is not the key of the first certificate of --certificate")
    builder = pkcs7.PKCS7SignatureBuilder().set_data(data).add_signer(certificates[0], key, hashes.SHA512())
    for other in certificates[1:]:
        builder = builder.add_certificate(other)
    options = [
        pkcs7.PKCS7Options.DetachedSignature,
        pkcs7.PKCS7Options.Binary,
        pkcs7.PKCS7Options.NoCapabilities,
    ]
    return builder.sign(serialization.Encoding.DER, options)


def check(der: bytes, data: bytes) -> Signed:
    """Check a detached signature over `data`.

    Raises:
        Wrong: It does not hold.
    """
    try:
        outer = cms.ContentInfo.load(der, strict=True)
        signed = check_signed(outer, data, "data")
        _by_the_book(outer, der)
    except BROKEN as exc:
        raise Wrong(f"it cannot be read ({type(exc).__name__})") from exc
    return signed


def check_signed(outer: Any, detached: bytes | None, kind: str) -> Signed:
    """Check SignedData of one signer.

    Args:
        detached: What was signed; None where it is inside.
        kind: The content type that must have been signed.

    Raises:
        Wrong, BROKEN: It does not hold, or cannot be read.
    """
    if outer["content_type"].native != "signed_data":
        raise Wrong("it is no CMS SignedData")
    body = outer["content"]
    inside = body["encap_content_info"]
    if inside["content_type"].native != kind:
        raise Wrong(f"it signs {inside['content_type'].native}, not {kind}")
    content = inside["content"]
    if detached is None:
        data = bytes(content.contents)
    elif content.native is not None:
        raise Wrong("it carries what it signs")
    else:
        data = detached
    if len(body["signer_infos"]) != 1:
        raise Wrong(f"it has {len(body['signer_infos'])} signers, not one")
    info = body["signer_infos"][0]
    certificates = _certificates(body)
    signer = _signer(info["sid"], certificates)
    digest = info["digest_algorithm"]["algorithm"].native
    if digest not in _HASHES:
        raise Wrong(f"its digest is {digest}; SHA-256, SHA-384 or SHA-512 is needed")
    attributes = _attributes(info)
    if attributes.get("content_type") != kind:
        raise Wrong("its content type was not signed")
    made = hashlib.new(digest, data).digest()
    if not hmac.compare_digest(attributes.get("message_digest") or b"", made):
        raise Wrong("it was made over something else")
    # RFC 5652 section 5.4: the attributes are signed as a SET, whatever tag they are kept under.
    covered = b"\x31" + info["signed_attrs"].dump()[1:]
    _verify(signer, info, digest, covered)
    at = attributes.get("signing_time")
    return Signed(
        certificate=signer,
        others=tuple(one for one in certificates if one != signer),
        at=at if isinstance(at, datetime) else None,
        attributes=attributes,
        content=data,
    )


def _certificates(body: Any) -> list[x509.Certificate]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # old roots have odd serial numbers
        return [x509.load_der_x509_certificate(one.chosen.dump()) for one in body["certificates"] or ()]


def _signer(sid: Any, certificates: list[x509.Certificate]) -> x509.Certificate:
    for one in certificates:
        if sid.name == "issuer_and_serial_number":
            issuer, serial = sid.chosen["issuer"].dump(), sid.chosen["serial_number"].native
            if (one.issuer.public_bytes(), one.serial_number) == (issuer, serial):
                return one
        elif sid.chosen.native == _key_identifier(one):
            return one
    raise Wrong("the signer's certificate is not in it")


def _key_identifier(certificate: x509.Certificate) -> bytes | None:
    try:
        return certificate.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value.digest
    except x509.ExtensionNotFound:
        return None


def _attributes(info: Any) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for one in info["signed_attrs"] or ():
        kind, values = one["type"].native, one["values"]
        if kind in found or len(values) != 1:
            raise Wrong(f"its attribute {kind} is there more than once")
        found[kind] = values[0] if kind.startswith("signing_certificate") else values[0].native
    return found


def _verify(signer: x509.Certificate, info: Any, digest: str, covered: bytes) -> None:
    key, value, scheme = signer.public_key(), info["signature"].native, info["signature_algorithm"]
    named = scheme.signature_algo
    # The plain name of RSA tells no digest.
    if scheme["algorithm"].native != "rsassa_pkcs1v15" and scheme.hash_algo != digest:
        raise Wrong("it names two digests")
    try:
        if isinstance(key, rsa.RSAPublicKey) and named == "rsassa_pkcs1v15":
            key.verify(value, covered, padding.PKCS1v15(), _HASHES[digest])
        elif isinstance(key, rsa.RSAPublicKey) and named == "rsassa_pss":
            salt = scheme["parameters"]["salt_length"].native
            pss = padding.PSS(mgf=padding.MGF1(_HASHES[digest]), salt_length=salt)
            key.verify(value, covered, pss, _HASHES[digest])
        elif isinstance(key, ec.EllipticCurvePublicKey) and named == "ecdsa":
            key.verify(value, covered, ec.ECDSA(_HASHES[digest]))
        else:
            raise Wrong(f"its scheme {named} is not that of the signer's key, or is not known")
    except InvalidSignature:
        raise Wrong("it is not by the key of its certificate") from None


def _by_the_book(outer: Any, der: bytes) -> None:
    """What the signature does not cover has one right form."""
    body = outer["content"]
    info = body["signer_infos"][0]
    digests = [one.dump() for one in body["digest_algorithms"]]
    bare = info["digest_algorithm"]["parameters"].native is None
    usual = (
        body["version"].native == "v1"
        and info["version"].native == "v1"
        and info["sid"].name == "issuer_and_serial_number"
        and digests == [info["digest_algorithm"].dump()]
        and bare
        and body["crls"].native is None
        and info["unsigned_attrs"].native is None
        and outer.dump(force=True) == der
    )
    scheme = info["signature_algorithm"]
    if scheme.signature_algo != "rsassa_pss":
        usual = usual and scheme["parameters"].native is None
    if not usual:
        raise Wrong("it holds something that it does not cover")
