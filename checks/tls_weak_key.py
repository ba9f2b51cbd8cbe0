"""A certificate's key is too short.

Fails when
    The key of the certificate, or of an issuer that is sent with it, is below the rule set's size: 112 bits of strength, RSA
    2048 for one.
Passes when
    The certificate's key is large enough; a short one of an issuer counts beside it.
Unknown when
    No certificate came, it cannot be read, or its kind of key has no size here.
Reach
    ask: the certificate is read from the hellos for the versions.
Why it matters
    A short key can be computed from the certificate; anyone who has it can impersonate the device.
Sources
    RFC 9325 section 4.5; NIST SP 800-57 Part 1 Rev. 5, table 2; NIST SP 800-131A Rev. 2
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from hardenprobe import Check, DeviceView, Observation, Outcome, Word, fail, passed, unknown
from hardenprobe.checking.views.tls import leaves, served_issuers, unanswered
from hardenprobe.facts import Certificate, HttpAnswer, TcpPort, TlsPort, TlsSuites
from hardenprobe.remediation.tls import TLS_CERTIFICATE
from hardenprobe.standards.tls_rules import TlsRules, load


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Which published rules decide.

    Attributes:
        rules: Name of a rule set.
    """

    rules: str


FIXED = ("Ed25519", "Ed448")  # RFC 8032: 128 and 224 bits of strength, one size each
EXPECTED = "the certificate's key has at least the size that the rule set requires"


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Compare the size with that of the rule set, by kind of key."""
    rules = load(expect.rules)
    yield from unanswered(seen, EXPECTED)
    found, missing = leaves(seen, EXPECTED)
    yield from missing
    for at, chain, leaf in found:
        yield _one(at, leaf, chain.label or None, rules)
        for number, issuer in enumerate(served_issuers(chain), 1):
            told = _one(at, issuer, f"{chain.label}, issuer {number}".removeprefix(", "), rules)
            if told.word is not Word.PASS:
                yield told


def _one(at: Observation[Any], certificate: Certificate, subject: str | None, rules: TlsRules) -> Outcome:
    """Judge one certificate's key."""
    smallest = {"RSA": rules.sizes.rsa, "DSA": rules.sizes.dsa, "EC": rules.sizes.curve}
    bits, kind = certificate.key_bits, certificate.key_type
    what = f"{kind} {certificate.curve or bits or ''}".strip()
    size = smallest.get(kind)
    if kind in FIXED:
        return passed(at, what, EXPECTED, subject=subject, rule_set=rules.rule_set)
    if size is None or bits is None:
        return unknown(at, f"a key of kind {what}", EXPECTED, subject=subject, rule_set=rules.rule_set)
    if bits < size.bits:
        text = f"{what}, {bits} bits, below {size.bits} ({size.source})"
        return fail(
            at,
            text,
            EXPECTED,
            value=bits,
            wanted=size.bits,
            subject=subject,
            vector="very short" if bits <= 768 and kind != "EC" else "",
            rule_set=rules.rule_set,
        )
    return passed(at, what, EXPECTED, value=bits, subject=subject, rule_set=rules.rule_set)


CHECK = Check(
    id="tls-weak-key",
    document=__doc__,
    reads=(TcpPort, TlsPort, TlsSuites, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    settings=Settings,
    # RSA 768 has been factored in public; 1024 bits need a large effort.
    vectors={
        "very short": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A",
    },
    remedy=TLS_CERTIFICATE,
    controls=("SC-12", "SC-13", "SC-17"),
    worse="smaller",
    version="2",
)
