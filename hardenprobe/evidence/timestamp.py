"""Time stamps (RFC 3161): the request, the reply's token, and whether a token holds."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, ClassVar

from asn1crypto import cms, core, tsp
from cryptography import x509
from cryptography.x509.oid import ExtendedKeyUsageOID

from hardenprobe.errors import UsageError
from hardenprobe.evidence.signature import BROKEN, Wrong, check_signed

_IMPRINTS = ("sha256", "sha384", "sha512")
_ESS = {
    "signing_certificate": "sha1",
    "signing_certificate_v2": "sha256",
}  # RFC 2634, RFC 5035: default digests


class _Reply(core.Sequence):  # type: ignore[misc] # the library has no types
    """TimeStampResp of RFC 3161 section 2.4.2; the library's own misses that a refusal carries no token."""

    _fields: ClassVar = [
        ("status", tsp.PKIStatusInfo),
        ("time_stamp_token", cms.ContentInfo, {"optional": True}),
    ]


@dataclass(frozen=True, kw_only=True)
class Stamped:
    """A time stamp that fits what was stamped. Its certificate is not verified here.

    Attributes:
        at: UTC.
        nonce: That of the request which it answers, None where that had none.
    """

    at: datetime
    nonce: int | None
    certificate: x509.Certificate
    others: tuple[x509.Certificate, ...]


def request(data: bytes, nonce: int | None = None) -> bytes:
    """A request for a time stamp of `data`, in DER: its SHA-512, a nonce, and the wish for the authority's certificate.

    Args:
        nonce: 64 random bits by default (RFC 3161 section 2.4.1).
    """
    imprint = {"hash_algorithm": {"algorithm": "sha512"}, "hashed_message": hashlib.sha512(data).digest()}
    fields = {
        "version": "v1",
        "message_imprint": imprint,
        "nonce": secrets.randbits(64) if nonce is None else nonce,
        "cert_req": True,
    }
    made: bytes = tsp.TimeStampReq(fields).dump()
    return made


def nonce_of(sent: bytes, data: bytes) -> int:
    """The nonce of a request for `data` that was made here.

    Raises:
        Wrong: It is no such request.
    """
    try:
        nonce = tsp.TimeStampReq.load(sent, strict=True)["nonce"].native
    except BROKEN as exc:
        raise Wrong(f"it is no request for a time stamp ({type(exc).__name__})") from exc
    if not isinstance(nonce, int) or request(data, nonce) != sent:
        raise Wrong("it is a request for a time stamp of something else")
    return nonce


def token(reply: bytes) -> bytes:
    """The token of an authority's reply; a bare token is taken as well.

    Raises:
        UsageError: It is neither, or the authority refused.
    """
    try:
        answer = _Reply.load(reply, strict=True)
        status = answer["status"]["status"].native
    except BROKEN:
        try:
            cms.ContentInfo.load(reply, strict=True)["content"]["signer_infos"].native  # noqa: B018 - parses
        except BROKEN as exc:
            raise UsageError("the token file holds neither a reply nor a token of RFC 3161") from exc
        return reply
    if status not in ("granted", "granted_with_mods"):
        raise UsageError(f"the time stamping authority says {status}")
    made: bytes = answer["time_stamp_token"].dump()
    if not made:
        raise UsageError("the reply holds no token")
    return made


def check(der: bytes, data: bytes) -> Stamped:
    """Check a token over `data`: imprint, signature, and that its certificate may stamp (RFC 3161 sections 2.3, 2.4.2).

    Raises:
        Wrong: It does not hold.
    """
    try:
        signed = check_signed(cms.ContentInfo.load(der, strict=True), None, "tst_info")
        _named(signed.attributes, signed.certificate)
        info = tsp.TSTInfo.load(signed.content, strict=True)
        imprint = info["message_imprint"]
        algorithm = imprint["hash_algorithm"]["algorithm"].native
        if info["version"].native != "v1":
            raise Wrong("it is of another version")
        if algorithm not in _IMPRINTS:
            raise Wrong(f"its imprint is {algorithm}; SHA-256, SHA-384 or SHA-512 is needed")
        made = hashlib.new(algorithm, data).digest()
        if not hmac.compare_digest(imprint["hashed_message"].native, made):
            raise Wrong("its imprint is of something else")
        at = info["gen_time"].native.astimezone(UTC)
        nonce = info["nonce"].native
        _may_stamp(signed.certificate)
    except BROKEN as exc:
        raise Wrong(f"it cannot be read ({type(exc).__name__})") from exc
    return Stamped(at=at, nonce=nonce, certificate=signed.certificate, others=signed.others)


def _named(attributes: dict[str, Any], certificate: x509.Certificate) -> None:
    """The certificate that signed must be the one that the signature names by its digest."""
    der = certificate.public_bytes(_der())
    for kind, default in _ESS.items():
        if kind in attributes:
            first = attributes[kind]["certs"][0]
            algorithm = first["hash_algorithm"]["algorithm"].native if kind.endswith("_v2") else default
            if hmac.compare_digest(first["cert_hash"].native, hashlib.new(algorithm, der).digest()):
                return
            raise Wrong("it names another certificate than the one that came with it")
    raise Wrong("it does not name its certificate")


def _may_stamp(certificate: x509.Certificate) -> None:
    try:
        usage = certificate.extensions.get_extension_for_class(x509.ExtendedKeyUsage)
    except x509.ExtensionNotFound:
        raise Wrong("its certificate is not for time stamping") from None
    if not usage.critical or list(usage.value) != [ExtendedKeyUsageOID.TIME_STAMPING]:
        raise Wrong("its certificate is not for time stamping alone")


def _der() -> Any:
    from cryptography.hazmat.primitives.serialization import Encoding

    return Encoding.DER
