"""A certificate on the path is signed with a broken hash.

Fails when
    A certificate below the trust anchor, or of a chain without one, bears an MD5 or SHA-1 signature, per rule set.
Passes when
    Every signature that is relied on has an accepted hash. A self-signed certificate's own signature is not relied on.
Unknown when
    No certificate came, or it cannot be read.
Reach
    ask: the certificates are read from the hellos for the versions.
Why it matters
    With a broken hash, an attacker can make a second certificate with the same signature; current clients refuse it.
Sources
    RFC 9155; RFC 9325 section 4.5
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hardenprobe import Check, DeviceView, Outcome, fail, passed
from hardenprobe.checking.views.tls import leaves, served_issuers, unanswered
from hardenprobe.facts import Chain, HttpAnswer, TcpPort, TlsPort, TlsSuites
from hardenprobe.remediation.tls import TLS_CERTIFICATE
from hardenprobe.standards.tls_rules import load


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Which published rules decide.

    Attributes:
        rules: Name of a rule set.
    """

    rules: str


EXPECTED = "no signature on the path uses a hash that the rule set forbids"


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Examine the signatures that are relied on."""
    rules = load(expect.rules)
    yield from unanswered(seen, EXPECTED)
    found, missing = leaves(seen, EXPECTED)
    yield from missing
    for at, chain, _ in found:
        hashes = _relied_on(chain)
        bad = [h for h in hashes if h in rules.signatures and rules.signatures[h].discouraged]
        subject = chain.label or None
        if bad:
            text = f"signed with {', '.join(sorted(set(bad)))} ({rules.signatures[bad[0]].source})"
            vector = "" if bad == ["sha1"] * len(bad) else "md"
            yield fail(
                at, text, EXPECTED, value=hashes, subject=subject, vector=vector, rule_set=rules.rule_set
            )
        else:
            text = (
                f"signed with {', '.join(sorted(set(hashes)))}"
                if hashes
                else "self-signed: no one relies on the signature"
            )
            yield passed(at, text, EXPECTED, value=hashes, subject=subject, rule_set=rules.rule_set)


def _relied_on(chain: Chain) -> list[str]:
    """Hashes on the path; without a path, of the leaf and each issuer that another one signed."""
    if chain.path.trusted:
        return [h for h in chain.path.hashes if h]
    sent = (*chain.certificates[:1], *served_issuers(chain))
    return [one.signature_hash for one in sent if one.signature_hash and not one.self_signed]


CHECK = Check(
    id="tls-weak-signature",
    document=__doc__,
    reads=(TcpPort, TlsPort, TlsSuites, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    settings=Settings,
    # Collisions are practical for MD5 and dear for SHA-1; both need an authority that still signs with them.
    vectors={
        "md": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A",
    },
    remedy=TLS_CERTIFICATE,
    controls=("SC-13", "SC-17"),
    version="3",
)
