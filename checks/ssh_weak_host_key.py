"""A weak SSH host key is offered.

Fails when
    The server offers DSA, shows an RSA key that is too short, or signs with RSA by SHA-1 only; one result a weakness.
Passes when
    No such key is offered. ssh-rsa beside rsa-sha2-256 or rsa-sha2-512 is the same key kept for old clients.
Unknown when
    The server's list or its RSA key did not come, or the port closes or is silent. A server whose key exchange methods
    are all post-quantum hybrids shows its key to no client without them, such as this scan.
Reach
    ask: one connection for the list and one key exchange for each key type; there is no sign-in.
Why it matters
    An attacker who can forge the host key gets between administrator and device and reads the password.
Sources
    RFC 8332 sections 3 and 5.2; RFC 4253 section 6.6; NIST SP 800-57 Part 1 Rev. 5, table 2
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hardenprobe import Check, DeviceView, Outcome, Reason, fail, note, passed, unknown
from hardenprobe.checking.views.ssh import offers, why
from hardenprobe.facts import HttpAnswer, SshHostKey, SshOffer, TcpPort, TlsPort
from hardenprobe.remediation.ssh import SSH_HOST_KEY
from hardenprobe.standards.ssh_rules import load


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Name of the rule set that decides."""

    rules: str


EXPECTED = "host keys and signatures that the rule set allows"
RSA_ALGORITHMS = {
    "ssh-rsa",
    "rsa-sha2-256",
    "rsa-sha2-512",
}  # RFC 8332 section 3: one key type, three signatures


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Names from the list, the length of an RSA key from the key itself."""
    rules = load(expect.rules)
    known, missing = offers(seen, EXPECTED)
    yield from missing
    for offer in known:
        weak, unrated = rules.rate(rules.host_keys, offer.facts.host_keys)
        for rule, names in weak:
            text = f"{rule.weakness}: {', '.join(names[:8])} ({rule.source})"
            subject, vector = rule.weakness, rule.kind
            yield fail(
                offer, text, EXPECTED, value=names, subject=subject, vector=vector, rule_set=rules.rule_set
            )
        if unrated:
            text = f"{len(unrated)} offered host key algorithms are not rated: {', '.join(unrated[:8])}"
            yield note(offer, text, EXPECTED, value=unrated, subject="unrated", rule_set=rules.rule_set)
        clean = not weak
        if RSA_ALGORITHMS & set(offer.facts.host_keys):
            shown = [
                o
                for o in seen.of(SshHostKey)
                if o.endpoint == offer.endpoint and o.facts.key_type == "ssh-rsa"
            ]
            key = shown[0] if shown else None
            bits = key.facts.bits if key else None
            if key is None or bits is None:
                fault = key.facts.fault if key else "it was not asked for"
                reason = why(fault) if key else Reason.CEILING
                clean = False
                yield unknown(
                    key or offer,
                    f"the length of the RSA key is not known: {fault}",
                    EXPECTED,
                    reason=reason,
                    subject="RSA key",
                )
            elif bits < rules.rsa.bits:
                clean = False
                text = f"the RSA key has {bits} bits; {rules.rsa.bits} are enough ({rules.rsa.source})"
                subject = f"RSA below {rules.rsa.bits} bits"
                yield fail(
                    key,
                    text,
                    EXPECTED,
                    value=bits,
                    wanted=rules.rsa.bits,
                    subject=subject,
                    vector="weak",
                    rule_set=rules.rule_set,
                )
        if clean and offer.facts.host_keys:
            text = f"offers {', '.join(offer.facts.host_keys[:8])}"
            yield passed(offer, text, EXPECTED, value=list(offer.facts.host_keys), rule_set=rules.rule_set)
        elif not offer.facts.host_keys:
            yield unknown(offer, "no host key algorithm is offered", EXPECTED)


CHECK = Check(
    id="ssh-weak-host-key",
    document=__doc__,
    # The last two tell what else a port speaks.
    reads=(TcpPort, SshOffer, SshHostKey, HttpAnswer, TlsPort),
    identifies=(HttpAnswer, TlsPort),
    judge=judge,
    settings=Settings,
    # weak: the key itself can be broken by who can pay for it. dated: a collision in SHA-1 within the exchange.
    vectors={
        "weak": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "dated": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:U/EM:A",
    },
    remedy=SSH_HOST_KEY,
    controls=("SC-12", "SC-13", "IA-3"),
    worse="smaller",
    version="2",
)
