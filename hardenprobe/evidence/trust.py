"""Who a certificate leads to: the path to an anchor that the auditor named, at a given time. Nothing is looked up."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from cryptography import x509
from cryptography.x509.oid import ExtendedKeyUsageOID
from cryptography.x509.verification import (
    Criticality,
    ExtensionPolicy,
    PolicyBuilder,
    Store,
    VerificationError,
)

from hardenprobe.evidence.signature import BROKEN, Wrong

_DOCUMENTS = x509.ObjectIdentifier("1.3.6.1.5.5.7.3.36")  # RFC 9336: document signing
_FOR_SIGNING = (ExtendedKeyUsageOID.EMAIL_PROTECTION, ExtendedKeyUsageOID.ANY_EXTENDED_KEY_USAGE, _DOCUMENTS)


def vouch(
    leaf: x509.Certificate,
    others: Sequence[x509.Certificate],
    anchors: Sequence[x509.Certificate],
    at: datetime,
) -> tuple[x509.Certificate, ...]:
    """The certification path of a certificate at a time: it first, the anchor last.

    Raises:
        Wrong: There is none.
    """
    _in_time(leaf, at)
    authority = ExtensionPolicy.permit_all().require_present(
        x509.BasicConstraints, Criticality.AGNOSTIC, None
    )
    policy = PolicyBuilder().store(Store(list(anchors))).time(at)
    policy = policy.extension_policies(ca_policy=authority, ee_policy=ExtensionPolicy.permit_all())
    try:
        path = policy.build_client_verifier().verify(leaf, list(others)).chain
    except VerificationError as exc:
        raise Wrong(f"it has no certification path to a trust anchor ({_said(exc)})") from exc
    except BROKEN as exc:
        raise Wrong(f"its path cannot be checked ({type(exc).__name__})") from exc
    return tuple(path)


def fit_to_sign(certificate: x509.Certificate, at: datetime) -> None:
    """Make sure that a certificate has a path to a trust anchor at a time.

    Raises:
        Wrong: No one could.
    """
    _in_time(certificate, at)
    may_sign(certificate)


def _in_time(leaf: x509.Certificate, at: datetime) -> None:
    if leaf.version is not x509.Version.v3:  # which would say nothing of what it is for
        raise Wrong("it is of X.509 version 1; make it anew with extensions, as version 3")
    if at < leaf.not_valid_before_utc:
        raise Wrong(f"it is valid from {leaf.not_valid_before_utc:%Y-%m-%d}, and this was on {at:%Y-%m-%d}")
    if at > leaf.not_valid_after_utc:
        raise Wrong(f"it was valid until {leaf.not_valid_after_utc:%Y-%m-%d}, and this was on {at:%Y-%m-%d}")


def _said(error: VerificationError) -> str:
    return str(error).partition(" (encountered processing")[0].rpartition(": ")[2]


def may_sign(certificate: x509.Certificate) -> None:
    """Make sure that a certificate may sign documents, as far as it says (RFC 5280 section 4.2.1.3, RFC 9336).

    Raises:
        Wrong: It may not.
    """
    try:
        extensions = certificate.extensions
    except BROKEN as exc:
        raise Wrong(f"its extensions cannot be read ({type(exc).__name__})") from exc
    for one in extensions:
        if isinstance(one.value, x509.KeyUsage) and not (
            one.value.digital_signature or one.value.content_commitment
        ):
            raise Wrong("its key is not for signatures")
        if isinstance(one.value, x509.ExtendedKeyUsage) and not set(one.value) & set(_FOR_SIGNING):
            raise Wrong("it is for another purpose than signing documents")


def name(certificate: x509.Certificate) -> str:
    """The subject, for people."""
    try:
        return certificate.subject.rfc4514_string() or "a certificate without a name"
    except BROKEN:
        return "a certificate whose name cannot be read"
