"""What the TLS probes can see of one port.

Versions are named "SSL 2.0", "SSL 3.0", "TLS 1.0", "TLS 1.1", "TLS 1.2" and "TLS 1.3"; suites carry their IANA names, or
"0x1234" where a code point has none.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from hardenprobe.model.kinds import facts

VERSIONS = ("SSL 2.0", "SSL 3.0", "TLS 1.0", "TLS 1.1", "TLS 1.2", "TLS 1.3")


@dataclass(frozen=True, kw_only=True)
class Certificate:
    """One certificate of a chain.

    Attributes:
        subject: RFC 4514 text, device text.
        names: DNS names and IP addresses of subjectAltName, device text.
        not_before: UTC, ISO 8601 with Z; `not_after` alike.
        serial: Hex.
        key_type: RSA, EC, DSA, Ed25519, Ed448, or the object id of what is none of them.
        key_bits: Size of modulus or field, None where it has no meaning.
        curve: Of an EC key.
        signature_hash: md5, sha1, sha256, ...; None where the scheme has no separate hash.
        spki_sha256: Digest of the SubjectPublicKeyInfo, hex.
        self_signed: It bears its own signature.
        sha256: Digest of the certificate, hex.
        der: The certificate, base64.
        authority: basicConstraints says that it is one (RFC 5280 section 4.2.1.9); None where that was not read.
        purposes: Object ids of extKeyUsage (section 4.2.1.12); None without the extension, which allows any.
    """

    subject: str
    issuer: str
    names: tuple[str, ...]
    not_before: str
    not_after: str
    serial: str
    key_type: str
    key_bits: int | None
    curve: str | None
    signature_hash: str | None
    spki_sha256: str
    self_signed: bool
    sha256: str
    der: str
    authority: bool | None = None
    purposes: tuple[str, ...] | None = None


@dataclass(frozen=True, kw_only=True)
class Path:
    """Whether a chain leads to a trust anchor; dates are left out of it, revocation is never asked.

    Attributes:
        anchor: Subject of the anchor that was reached.
        error: Why no anchor was reached.
        hashes: signature_hash of every certificate on the path below the anchor, the leaf first.
        issuers: Key type and bits of the issuers on the path, the anchor included ("RSA 2048").
    """

    trusted: bool
    anchor: str | None
    error: str | None
    hashes: tuple[str | None, ...] = ()
    issuers: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Chain:
    """A certificate and what the server sent with it.

    Attributes:
        label: "" for the first chain of a port; "EC certificate" and so on for one more.
        certificates: At most ten, the leaf first; empty where the leaf could not be read.
        left_out: How many certificates were beyond the bounds or unreadable.
        fault: Why the leaf could not be read.
    """

    label: str
    certificates: tuple[Certificate, ...]
    path: Path
    left_out: int = 0
    fault: str | None = None


def _doubt(broken: str) -> str:
    return f"a ServerHello breaks its rules: {broken}" if broken else ""


@facts("tls-port")
@dataclass(frozen=True, kw_only=True)
class TlsPort:
    """A port that was asked for TLS: its versions and certificates.

    Attributes:
        speaks: It answered in TLS or SSL.
        reached: "implicit", or what was said first: "ftp", "smtp", "ldap", "http".
        fault: Why it does not speak: "closed", "silent", "refusing", "not TLS", "no upgrade", or "broken" where TLS came
            that breaks its own rules.
        answer: What it said instead, device text.
        versions: Version to "accepted", "refused" or "unknown".
        unknown_why: Version to a word of records.Reason.
        picked: Version to the suite it picked when offered all of them.
        chains: Distinct certificates met, with what came along.
        secure_renegotiation: Version to whether the server answered renegotiation_info (RFC 5746); not asked of TLS 1.3.
        compression: Version to whether compression was picked when offered; not offered in TLS 1.3.
        extended_master_secret: Version to whether the server answered it (RFC 7627).
        certificate_requested: It asked for a client certificate.
        alerts: Version to the number of the alert that refused it.
        intolerant: What had to be left out for it to answer: "many suites", "TLS 1.3", "extensions".
        broken: The rule of its own that a ServerHello broke, after others had kept them; "" for none.
    """

    speaks: bool
    reached: str = "implicit"
    fault: str | None = None
    answer: str = ""
    versions: dict[str, str] = field(default_factory=dict)
    unknown_why: dict[str, str] = field(default_factory=dict)
    picked: dict[str, str] = field(default_factory=dict)
    chains: tuple[Chain, ...] = ()
    secure_renegotiation: dict[str, bool] = field(default_factory=dict)
    compression: dict[str, bool] = field(default_factory=dict)
    extended_master_secret: dict[str, bool] = field(default_factory=dict)
    certificate_requested: bool = False
    alerts: dict[str, int] = field(default_factory=dict)
    intolerant: tuple[str, ...] = ()
    broken: str = ""
    connections: int = 0

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.speaks or self.plain_http or self.plain_ldap

    @property
    def doubt(self) -> str:
        """Why a pass may not rest on this; "" where it may."""
        return _doubt(self.broken)

    @property
    def plain_ldap(self) -> bool:
        """StartTLS was refused in LDAP."""
        return self.fault == "no upgrade" and self.answer.startswith("LDAP: StartTLS refused")

    @property
    def plain_http(self) -> bool:
        """The hello was answered in plain HTTP (RFC 9112 section 4)."""
        return self.fault == "not TLS" and self.answer.startswith(("HTTP/1.0 ", "HTTP/1.1 "))


@facts("tls-suites")
@dataclass(frozen=True, kw_only=True)
class TlsSuites:
    """What a port accepts beyond its versions: the second, dearer half of the questions.

    Attributes:
        reached: As in TlsPort.
        suites: Version to what it accepts, in the order it was found.
        unknown_why: Version to a word of records.Reason, where the walk did not end.
        preference: Version to "server", "client", "single" (one suite only) or "unknown".
        groups: Version to the groups (RFC 8446 section 4.2.7) that were picked, each with the bits of its field, 0 where
            those are not known.
        groups_complete: Version to whether every group was asked for; below TLS 1.3, every curve that TLS 1.3 did not
            show.
        small_curves_asked: Version to whether every curve below 250 bits was asked for.
        dh_bits: Version to suite to the size of the finite-field group.
        rsa_export_bits: Version to suite to the size of a temporary RSA key.
        encrypt_then_mac: Version to CBC suite to whether the server answered it (RFC 7366).
        fallback_scsv: Whether RFC 7507 is honoured; None where there is nothing to fall back from, or no answer.
        chains: Certificates that the versions alone did not show.
        classes: Where one suite of each class was asked for and not every suite: the rule-sets that distinguish the classes,
            each with the digest of what it distinguishes. Empty where all suites were asked for.
        broken: As in TlsPort.
    """

    reached: str = "implicit"
    suites: dict[str, tuple[str, ...]] = field(default_factory=dict)
    unknown_why: dict[str, str] = field(default_factory=dict)
    preference: dict[str, str] = field(default_factory=dict)
    groups: dict[str, dict[str, int]] = field(default_factory=dict)
    groups_complete: dict[str, bool] = field(default_factory=dict)
    small_curves_asked: dict[str, bool] = field(default_factory=dict)
    dh_bits: dict[str, dict[str, int]] = field(default_factory=dict)
    rsa_export_bits: dict[str, dict[str, int]] = field(default_factory=dict)
    encrypt_then_mac: dict[str, dict[str, bool]] = field(default_factory=dict)
    fallback_scsv: bool | None = None
    chains: tuple[Chain, ...] = ()
    classes: dict[str, str] = field(default_factory=dict)
    broken: str = ""
    connections: int = 0

    @property
    def doubt(self) -> str:
        """As in TlsPort."""
        return _doubt(self.broken)


@facts("tls-flaws")
@dataclass(frozen=True, kw_only=True)
class TlsFlaws:
    """What three flaw probes found. Nothing that a device leaked is kept.

    Attributes:
        heartbleed: "vulnerable", "sound" or "unknown" (CVE-2014-0160); the other two alike.
        early_ccs: CVE-2014-0224.
        padding_oracle: Whether RSA decryption discloses whether the padding is valid, after Bleichenbacher.
        how: How it was determined, by name of the flaw.
        second: What another implementation finds, by name of the flaw; "unknown" where it could not tell.
        unknown_why: A word of records.Reason for what is unknown.
    """

    reached: str = "implicit"
    heartbleed: str = "unknown"
    early_ccs: str = "unknown"
    padding_oracle: str = "unknown"
    how: dict[str, str] = field(default_factory=dict)
    second: dict[str, str] = field(default_factory=dict)
    unknown_why: str | None = None
    connections: int = 0


@facts("tls-second-opinion")
@dataclass(frozen=True, kw_only=True)
class TlsSecondOpinion:
    """What another implementation finds accepted, suite by suite.

    Attributes:
        suites: Version to accepted suites; a version that it could not finish is missing.
        asked: Version to the suites that it asked for.
    """

    reached: str = "implicit"
    suites: dict[str, tuple[str, ...]] = field(default_factory=dict)
    asked: dict[str, tuple[str, ...]] = field(default_factory=dict)
    fault: str | None = None
    connections: int = 0
