"""Whether a bag is complete and valid, and who signed it. Nothing in the bag is believed: anchors come from the verifier."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from cryptography import x509
from cryptography.hazmat.primitives.hashes import SHA256

from hardenprobe.errors import clip
from hardenprobe.evidence import container, custody, revocation, signature, timestamp, trust
from hardenprobe.evidence.bag import (
    ALGORITHMS,
    APART,
    DECLARATION,
    SIGNATURE,
    SIGNED,
    TIME_REQUEST,
    TOKEN,
    Sums,
    info_text,
    manifest,
)
from hardenprobe.evidence.container import BagRefused, Broken, Container
from hardenprobe.evidence.revocation import RevocationData
from hardenprobe.evidence.signature import Wrong

FORMAT = "hardenprobe.evidence/1"
Kind = Literal[
    "missing", "altered", "added", "signature", "certificate", "time", "order", "content", "custody", "result"
]
Level = Literal["container", "manifest", "signature", "content", "re-judged"]
State = Literal["valid", "invalid", "not determined"]

LEVELS: tuple[Level, ...] = ("container", "manifest", "signature", "content", "re-judged")
"""What is verified, in order: each rests on those before it."""

_LEVEL_OF: dict[Kind, Level] = {
    "missing": "manifest",
    "altered": "manifest",
    "added": "manifest",
    "signature": "signature",
    "certificate": "signature",
    "time": "signature",
    "order": "content",
    "content": "content",
    "custody": "content",
    "result": "re-judged",
}

REVIEW = "data/review.json"
_TAGS = ("bagit.txt", "bag-info.txt", *(f"manifest-{name}.txt" for name in ALGORITHMS))
_MANIFESTS = {
    f"{kind}-{name}.txt": (kind, name) for kind in ("manifest", "tagmanifest") for name in ALGORITHMS
}
_LINE = re.compile(r"([0-9a-f]{64}|[0-9a-f]{128})  ([!-~]+)")
_MOST = 64 * 1024 * 1024  # bytes of a manifest: 300,000 lines of the longest kind


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One thing that is wrong.

    Attributes:
        file: In the bag.
    """

    kind: Kind
    file: str
    text: str


@dataclass(kw_only=True)
class Verdict:
    """What a bag turned out to be.

    Attributes:
        about: What `bag-info.txt` says.
        digest: SHA-512 of the tag manifest, in hex; "" where that is gone.
        files, size: Of the payload.
        told: What is known of signature and time, for people.
        faults: Empty where nothing that was verified is invalid.
        open: What could not be determined, and why, by level.
        verified: The levels that were looked at.
        signed, stamped: When, as signer and time stamping authority say; None where there is none.
        sums: Of every file.
    """

    about: dict[str, str] = field(default_factory=dict)
    digest: str = ""
    files: int = 0
    size: int = 0
    told: list[str] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    open: list[tuple[Level, str]] = field(default_factory=list)
    verified: list[Level] = field(default_factory=list)
    signed: datetime | None = None
    stamped: datetime | None = None
    sums: Mapping[str, Sums] = field(default_factory=dict, repr=False)

    def fault(self, kind: Kind, file: str, text: str) -> None:
        self.faults.append(Fault(kind=kind, file=file, text=text))

    def leave_open(self, level: Level, text: str) -> None:
        self.open.append((level, text))

    def of(self, level: Level) -> State:
        """The state of one level; "not determined" too where it was not looked at."""
        if any(_LEVEL_OF[fault.kind] == level for fault in self.faults):
            return "invalid"
        undetermined = level not in self.verified or any(level == one for one, _ in self.open)
        return "not determined" if undetermined else "valid"

    @property
    def reached(self) -> Level | None:
        """The last level that is valid together with all before it; None where not even the container is."""
        last = None
        for level in LEVELS:
            if self.of(level) != "valid":
                break
            last = level
        return last

    @property
    def state(self) -> State:
        """Invalid where anything is; valid where every level that was looked at is."""
        if self.faults:
            return "invalid"
        return "not determined" if self.open else "valid"


@dataclass(frozen=True, kw_only=True)
class Trust:
    """What the verifier of a bag trusts.

    Attributes:
        anchors: Trust anchors of the signer. None where none were named; then a bag needs no signature.
        time_anchors: Those of the time stamp. None where none were named; then a bag needs none.
        revocation: What is known of certificates that were revoked.
        now: The time of verification; the present by default.
    """

    anchors: Sequence[x509.Certificate] | None = None
    time_anchors: Sequence[x509.Certificate] | None = None
    revocation: RevocationData = field(default_factory=RevocationData)
    now: datetime | None = None


def verify(
    path: Path,
    anchors: Sequence[x509.Certificate] | None = None,
    time_anchors: Sequence[x509.Certificate] | None = None,
    now: datetime | None = None,
    revocation: RevocationData | None = None,
) -> Verdict:
    """Verify container, manifests and signature of a bag, as a stream. The arguments are those of `Trust`.

    Raises:
        BagRefused: It is not a bag of this program, or not one that can be read safely.
    """
    with container.opened(path) as bag:
        given = Trust(
            anchors=anchors, time_anchors=time_anchors, now=now, revocation=revocation or RevocationData()
        )
        return verify_opened(bag, given)


def verify_opened(bag: Container, given: Trust | None = None) -> Verdict:
    """As `verify`, of a bag that is open."""
    if not bag.names & {*_TAGS, *APART}:
        raise BagRefused("it holds none of the files that make a bag")
    verdict = Verdict()
    sums = verdict.sums = _summed(bag, verdict)
    small = {
        name: _small(bag, name) for name in (*_MANIFESTS, "bagit.txt", "bag-info.txt") if name in bag.names
    }
    _files(bag, sums, small, verdict)
    _tags(sums, small, verdict)
    _signature(bag, small.get(SIGNED), verdict, given or Trust())
    verdict.verified.extend(("container", "manifest", "signature"))
    if not verdict.faults:
        custody.check(bag, verdict)
    return verdict


def _summed(bag: Container, verdict: Verdict) -> dict[str, Sums]:
    found: dict[str, Sums] = {}
    for name in sorted(bag.names):
        sums = Sums()
        try:
            for chunk in bag.chunks(name):
                sums.add(chunk)
        except Broken as exc:
            verdict.fault("altered", name, f"it cannot be unpacked: {exc}")
            continue
        found[name] = sums
    payload = [one for name, one in found.items() if name.startswith("data/")]
    verdict.files, verdict.size = len(payload), sum(one.size for one in payload)
    return found


def _small(bag: Container, name: str) -> bytes:
    try:
        return bag.read(name, _MOST)
    except Broken:
        return b""  # said before, or said by its digest


def _files(bag: Container, sums: Mapping[str, Sums], small: Mapping[str, bytes], verdict: Verdict) -> None:
    """Hold every file against every manifest."""
    for name in sorted({*_TAGS, *_MANIFESTS} - bag.names):
        verdict.fault("missing", name, "every bag has it")
    broken = {fault.file for fault in verdict.faults}
    wrong: dict[tuple[Kind, str], list[str]] = {}
    for listing, (kind, algorithm) in _MANIFESTS.items():
        if listing not in small:
            continue
        payload = kind == "manifest"
        covered = {
            n for n in bag.names - APART - custody.apart(bag.names) if n.startswith("data/") == payload
        }
        listed = _listed(small[listing])
        for name in sorted(listed.keys() - covered):
            wrong.setdefault(("missing", name), []).append(listing)
        for name in sorted(covered - listed.keys()):
            wrong.setdefault(("added", name), []).append(listing)
        differing = {
            name
            for name in listed.keys() & sums.keys() & covered
            if listed[name] != sums[name].hex(algorithm)
        }
        for name in sorted(differing):
            wrong.setdefault(("altered", name), []).append(listing)
        same = not differing and listed.keys() == covered
        rewritten = manifest({n: sums[n] for n in covered & sums.keys()}, algorithm) != small[listing]
        if same and rewritten and not broken & covered:
            wrong.setdefault(("altered", listing), []).append("its own form")
    said: dict[Kind, str] = {
        "missing": "listed by {} and not there",
        "added": "there and not listed by {}",
        "altered": "it is not what {} has",
    }
    for (kind_, name), listings in wrong.items():
        if kind_ == "added" and not name.startswith("data/") and name not in _TAGS:
            verdict.fault(kind_, name, "there, and no part of such a bag")
        elif name not in broken:
            verdict.fault(kind_, name, said[kind_].format(" and ".join(listings)))


def _listed(data: bytes) -> dict[str, str]:
    """File to digest; lines of another form are left out, and the manifest's own form tells of them."""
    found: dict[str, str] = {}
    for line in data.decode("ascii", "replace").split("\n"):
        if match := _LINE.fullmatch(line):
            found[match[2]] = match[1]
    return found


def _tags(sums: Mapping[str, Sums], small: Mapping[str, bytes], verdict: Verdict) -> None:
    """What the tag files say of the bag."""
    if small.get("bagit.txt", DECLARATION) != DECLARATION and not _known(verdict, "bagit.txt"):
        verdict.fault("altered", "bagit.txt", "it declares no bag of BagIt 1.0 in UTF-8")
    text = small.get("bag-info.txt", b"").decode("utf-8", "replace")
    verdict.about = {
        label: value for label, found, value in (line.partition(": ") for line in text.splitlines()) if found
    }
    if SIGNED in small and SIGNED in sums:
        verdict.digest = sums[SIGNED].hex("sha512")
    if "bag-info.txt" not in small or _known(verdict, "bag-info.txt"):
        return
    if verdict.about.get("Evidence-Format") != FORMAT:
        found = clip(verdict.about.get("Evidence-Format", ""))
        verdict.fault("altered", "bag-info.txt", f"its format is {found}; this version reads {FORMAT}")
    if info_text(verdict.about) != small["bag-info.txt"]:
        verdict.fault("altered", "bag-info.txt", "it has another form than labels and values, each once")
    review = verdict.about.get("Review-Digest")
    if review and REVIEW in sums and review != sums[REVIEW].hex("sha256") and not _known(verdict, REVIEW):
        verdict.fault("altered", "bag-info.txt", f"its Review-Digest is not that of {REVIEW}")
    oxum = f"{verdict.size}.{verdict.files}"
    if verdict.about.get("Payload-Oxum") != oxum and not verdict.faults:
        verdict.fault("altered", "bag-info.txt", f"its Payload-Oxum is not {oxum}")


def _known(verdict: Verdict, file: str) -> bool:
    return any(fault.file == file for fault in verdict.faults)


def _signature(bag: Container, covered: bytes | None, verdict: Verdict, trusted: Trust) -> None:
    now = trusted.now or datetime.now(UTC)
    der = _part(bag, SIGNATURE, verdict)
    stamped = _time(bag, der if der is not None else covered, verdict, trusted, now)
    wanted = verdict.about.get("Signer-Certificate-SHA-256")
    if der is None:
        if SIGNATURE not in bag.names and wanted:
            verdict.fault("missing", SIGNATURE, "bag-info.txt says that the bag was signed")
        elif SIGNATURE not in bag.names and trusted.anchors is not None:
            verdict.fault("signature", SIGNATURE, "the bag is not signed")
        elif SIGNATURE not in bag.names:
            verdict.told.append(
                "Not signed: origin not authenticated. Anyone who held the file could have written all of it."
            )
            verdict.leave_open("signature", "the bag is not signed")
        return
    if covered is None:
        return  # the tag manifest is missing, which is said
    try:
        signed = signature.check(der, covered)
    except Wrong as exc:
        verdict.fault("signature", SIGNATURE, str(exc))
        return
    if wanted != certificates_text([signed.certificate, *signed.others]):
        verdict.fault(
            "signature", SIGNATURE, "bag-info.txt names other certificates than those that are in it"
        )
        return
    verdict.signed = signed.at
    said = f", by the signer's clock on {signed.at:%Y-%m-%d %H:%M:%S} UTC" if signed.at else ""
    verdict.told.append(
        f"Signed by {trust.name(signed.certificate)}, serial {signed.certificate.serial_number:x}, "
        f"SHA-256 {signed.certificate.fingerprint(SHA256()).hex()}{said}."
    )
    when = stamped or now
    if trusted.anchors is None:
        verdict.told.append("Signer not authenticated: name a trust anchor by --trust FILE.")
        verdict.leave_open("signature", "no trust anchor was given for the signer")
        return
    try:
        trust.may_sign(signed.certificate)
        path = trust.vouch(signed.certificate, signed.others, trusted.anchors, when)
    except Wrong as exc:
        verdict.fault("certificate", SIGNATURE, f"the signer's certificate: {exc}")
        return
    how = "at the time of the time stamp" if stamped else "today"
    verdict.told.append(f"Signer authenticated {how} by trust anchor {trust.name(path[-1])}.")
    _revocation(path, trusted, when, verdict, SIGNATURE)


def _revocation(
    path: Sequence[x509.Certificate], trusted: Trust, when: datetime, verdict: Verdict, file: str
) -> None:
    found = revocation.of_path(path, trusted.revocation, when, trust.name)
    for line in found.revoked:
        verdict.fault("certificate", file, line)
    verdict.told += [f"Revocation of {line}." for line in (*found.good, *found.unknown)]
    for line in found.unknown:
        verdict.leave_open("signature", f"revocation unknown: {line}; give --crl or --ocsp")


def _time(
    bag: Container, stamped: bytes | None, verdict: Verdict, trusted: Trust, now: datetime
) -> datetime | None:
    """Check the time stamp; its time where a named anchor authenticates it, None where none does."""
    if TOKEN not in bag.names:
        if TIME_REQUEST in bag.names:
            verdict.fault("time", TIME_REQUEST, "it is there without a time stamp that answers it")
        if trusted.time_anchors is not None:
            verdict.fault("time", TOKEN, "the bag has no time stamp")
        return None
    der = _part(bag, TOKEN, verdict)
    if der is None or stamped is None:
        return None
    try:
        found = timestamp.check(der, stamped)
    except Wrong as exc:
        verdict.fault("time", TOKEN, str(exc))
        return None
    sent = _part(bag, TIME_REQUEST, verdict)
    try:
        if sent is not None and timestamp.nonce_of(sent, stamped) != found.nonce:
            raise Wrong("its nonce is not that of the time stamp")
    except Wrong as exc:
        verdict.fault("time", TIME_REQUEST, str(exc))
        return None
    verdict.stamped = found.at
    by = f"Stamped on {found.at:%Y-%m-%d %H:%M:%S} UTC by {trust.name(found.certificate)}"
    by += ", nonce checked" if sent is not None else ", no request kept, so no nonce to check"
    if found.at > now:
        verdict.fault("time", TOKEN, f"it says {found.at:%Y-%m-%d %H:%M:%S} UTC, which is still to come")
        return None
    if trusted.time_anchors is None:
        verdict.told.append(f"{by}; not authenticated: name a trust anchor by --trust-time FILE.")
        verdict.leave_open("signature", "no trust anchor was given for the time stamp")
        return None
    try:
        path = trust.vouch(found.certificate, found.others, trusted.time_anchors, found.at)
    except Wrong as exc:
        verdict.fault("certificate", TOKEN, f"the certificate of the time stamp: {exc}")
        return None
    verdict.told.append(f"{by}; authenticated by trust anchor {trust.name(path[-1])}.")
    _revocation(path, trusted, found.at, verdict, TOKEN)
    return found.at


def _part(bag: Container, name: str, verdict: Verdict) -> bytes | None:
    if name not in bag.names or _known(verdict, name):
        return None
    try:
        return bag.read(name, signature.MOST_BYTES)
    except Broken as exc:
        verdict.fault("altered", name, str(exc))
        return None


def certificates_text(certificates: Iterable[x509.Certificate]) -> str:
    """How `bag-info.txt` names the certificates of a signature, so that the signature covers them."""
    sums: list[str] = [one.fingerprint(SHA256()).hex() for one in certificates]
    return " ".join([*sums[:1], *sorted(sums[1:])])
