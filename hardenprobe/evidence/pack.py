"""Packing a review: the parts of parts.py into a bag, signed where a key is given."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import load_pem_private_key

from hardenprobe import __version__
from hardenprobe.errors import FileInvalid, UsageError
from hardenprobe.evidence import bag, custody, pseudonyms, signature, trust
from hardenprobe.evidence.bag import Payload
from hardenprobe.evidence.container import BagRefused
from hardenprobe.evidence.parts import PARTS, Part
from hardenprobe.evidence.redact import Redaction, foreign_remedies
from hardenprobe.evidence.signature import Wrong
from hardenprobe.evidence.source import Source, Wanted, changed
from hardenprobe.evidence.verify import FORMAT, certificates_text, verify
from hardenprobe.model.transcript import utc_now

README = """\
Evidence of a hardenprobe review
================================

{what}

{parts}

Whether the bag is complete and valid: `hardenprobe evidence verify FILE`, or any program that validates BagIt (RFC 8493), or, inside of
the folder, `sha256sum --check --strict manifest-sha256.txt tagmanifest-sha256.txt`.

Who signed it, where {signature} is there:

  openssl cms -verify -binary -inform DER -in {signature} -content {signed} -CAfile ANCHORS.pem -out /dev/null

When it was there at the latest, where {token} is there: it stamps {signature}, or {signed} of a bag without a signature:

  openssl ts -verify -token_in -in {token} -data {signature} -CAfile ANCHORS.pem

Who packed it, and who received it since: the files in custody/, each chained to the one before by its SHA-256.

Take ANCHORS.pem from somebody you trust and never from the bag. What devices said is kept as they said it and is hostile:
open nothing in here with a program that runs what it finds.
"""


@dataclass(frozen=True, kw_only=True)
class Signer:
    """Who signs a bag.

    Attributes:
        certificates: The signer's, then its chain.
    """

    key: Any
    certificates: tuple[x509.Certificate, ...]

    @classmethod
    def load(cls, key: Path, certificate: Path, password: str | None) -> Signer:
        """Read PEM files.

        Raises:
            FileInvalid: One cannot be read, or needs a password.
            UsageError: They do not belong together.
        """
        try:
            loaded = load_pem_private_key(key.read_bytes(), password.encode() if password else None)
        except OSError as exc:
            raise FileInvalid(str(key), None, f"cannot be read: {exc.strerror}") from exc
        except (ValueError, TypeError, UnsupportedAlgorithm):
            raise FileInvalid(
                str(key), None, f"holds no PEM key, or needs its password in the environment as {PASSWORD}"
            ) from None
        signer = cls(key=loaded, certificates=certificates_of(certificate))
        try:
            trust.fit_to_sign(signer.certificates[0], datetime.now(UTC))
        except Wrong as exc:
            raise FileInvalid(str(certificate), None, str(exc)) from None
        signer.sign(b"")  # says now what would be wrong at the end
        return signer

    def sign(self, data: bytes) -> bytes:
        """A detached CMS signature."""
        return signature.sign(data, self.key, list(self.certificates))


PASSWORD = "HARDENPROBE_KEY_PASSWORD"
"""Environment variable that holds the password of a signing key."""


def certificates_of(path: Path) -> tuple[x509.Certificate, ...]:
    """The certificates of a PEM file.

    Raises:
        FileInvalid: It cannot be read, or holds none.
    """
    from hardenprobe.probes.pki.certificates import TrustAnchors

    return TrustAnchors.load([path], system=False).certificates


def pack(
    source: Source, wanted: Wanted, path: Path, signer: Signer | None = None, retain: str | None = None
) -> str:
    """Write all of a review.

    Args:
        retain: Day (ISO 8601) until which the bag is to be kept.

    Returns:
        The digest of the bag.

    Raises:
        UsageError: Something cannot be read or written; there is no new file then.
    """
    about = {"External-Description": "evidence of a hardenprobe review", "Review-Digest": source.digest or ""}
    about |= {"Retain-Until": retain or ""}
    return _write(source, wanted, path, signer, about)


def pack_redacted(
    source: Source,
    wanted: Wanted,
    path: Path,
    full: Path,
    key: Path,
    signer: Signer | None = None,
) -> str:
    """Write the redacted bag.

    Args:
        full: The full bag of the same review, which is cited.
        key: File with the key of the pseudonyms; made where there is none.

    Raises:
        UsageError: As `pack`; or the full bag is not valid, or of another review.
    """
    verdict = verify(full)
    review = source.outline.head.id
    if verdict.faults:
        raise BagRefused(f"--full {full} is not valid; see `hardenprobe evidence verify {full}`")
    if verdict.about.get("Review-Digest") != source.digest or "Full-Bag-SHA-512" in verdict.about:
        raise BagRefused(f"--full {full} is not the full bag of review {review}")
    redaction = Redaction(pseudonyms.load(key), foreign_remedies(source))
    cites = f"SHA-512 {verdict.digest}"
    redacted = changed(
        source,
        redaction.outline(source.outline, cites),
        redaction.row,
        redaction.usage(source.usage),
        lambda: iter(redaction.uses(source.uses())),
    )
    about = {
        "External-Description": "redacted evidence of a hardenprobe review",
        "Full-Bag-SHA-512": verdict.digest,
    }
    return _write(redacted, wanted, path, signer, about)


def _write(
    source: Source,
    wanted: Wanted,
    path: Path,
    signer: Signer | None,
    about: Mapping[str, str],
) -> str:
    review = source.outline.head.id
    full = about.get("Full-Bag-SHA-512")
    folder = f"hardenprobe-{review}{'-redacted' if full else ''}"
    if not folder.replace("-", "").replace("_", "").isalnum() or not folder.isascii():
        raise UsageError(f"review {review!r} has an id that cannot name a folder")
    labels = {
        "Bag-Software-Agent": f"hardenprobe {__version__}",
        "Bagging-Date": utc_now()[:10],
        "Packed-At": utc_now(),
        "Evidence-Format": FORMAT,
        "External-Identifier": review,
        **{label: value for label, value in about.items() if value},
    }
    if signer:
        labels["Signer-Certificate-SHA-256"] = certificates_text(signer.certificates)
    with bag.writing(path, folder) as out:
        readme(out, full)
        for part in parts_of(redacted=full is not None):
            part.write(source, wanted, out)
        key = signer.certificates[0].fingerprint(SHA256()).hex() if signer else None
        first = custody.packed(key, redacted=full is not None)
        return out.finish(labels, signer.sign if signer else None, {custody.FIRST: first.data()})


def parts_of(*, redacted: bool) -> list[Part]:
    """The parts of a bag, in the order in which they are written."""
    return [part for part in PARTS if part.redacted or not redacted]


def readme(out: Payload, full: str | None) -> None:
    """Write what is in the bag and how it is verified.

    Args:
        full: Digest of the full bag that a redacted one cites, None for a full one.
    """
    what = "Everything that the review keeps. The SHA-256 of data/review.json is the review's own digest."
    if full is not None:
        what = (
            "Redacted: names, serials and addresses are pseudonyms, and what devices said, transcripts, scope, statements and\n"
            "exceptions are left out. The full bag is the one whose tagmanifest-sha512.txt has the SHA-512\n"
            f"{full}."
        )
    parts = "\n".join(f"  {part.name:<16} {part.what}" for part in parts_of(redacted=full is not None))
    words = README.format(what=what, parts=parts, signature=bag.SIGNATURE, signed=bag.SIGNED, token=bag.TOKEN)
    with out.file("README.txt") as file:
        file.write(words.encode())
