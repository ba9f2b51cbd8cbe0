"""An SSH server is open to prefix truncation.

Fails when
    The server offers chacha20-poly1305, or a CBC cipher with an encrypt-then-MAC code, and not the strict marker.
Passes when
    It offers the marker, or no such mode. The client must support it too, which this check does not test.
Unknown when
    The server's lists did not come, or the port closes or is silent.
Reach
    ask: one connection; the lists are read before any sign-in, and nothing is truncated.
Why it matters
    An attacker on the path can remove the first messages, and with them protections that both sides believe to be on.
Sources
    CVE-2023-48795; RFC 4253 sections 6.4 and 7.1
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hardenprobe import Check, DeviceView, Outcome, fail, passed
from hardenprobe.checking.views.ssh import offers
from hardenprobe.facts import HttpAnswer, SshOffer, TcpPort, TlsPort
from hardenprobe.remediation.ssh import SSH_STRICT
from hardenprobe.standards.ssh_rules import PrefixTruncation, load, matches


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Name of the rule set that lists the vulnerable modes."""

    rules: str


EXPECTED = "strict key exchange, or no mode vulnerable to prefix truncation"


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Look for a vulnerable mode in each direction, and for the marker."""
    rules = load(expect.rules)
    known, missing = offers(seen, EXPECTED)
    yield from missing
    for offer in known:
        modes = _modes(offer.facts, rules.prefix_truncation)
        marker = rules.prefix_truncation.marker
        if modes and marker not in offer.facts.key_exchanges:
            text = f"offers {'; '.join(modes[:6])} without {marker}"
            yield fail(offer, text, EXPECTED, value=modes, wanted=marker, rule_set=rules.rule_set)
        elif modes:
            yield passed(offer, f"offers {marker}", EXPECTED, value=modes, rule_set=rules.rule_set)
        else:
            yield passed(
                offer, "offers no mode vulnerable to prefix truncation", EXPECTED, rule_set=rules.rule_set
            )


def _modes(facts: SshOffer, rule: PrefixTruncation) -> list[str]:
    """Vulnerable modes of either direction; a cipher and a MAC count together only in the same one."""
    found: dict[str, None] = {}
    for ciphers, macs in (
        (facts.ciphers_to_server, facts.macs_to_server),
        (facts.ciphers_to_client, facts.macs_to_client),
    ):
        found |= dict.fromkeys(c for c in ciphers if matches(c, rule.ciphers))
        after = [m for m in macs if matches(m, rule.macs)]
        if after:
            found |= dict.fromkeys(
                f"{c} with {after[0]}" for c in ciphers if matches(c, rule.ciphers_with_macs)
            )
    return list(found)


CHECK = Check(
    id="ssh-prefix-truncation",
    document=__doc__,
    # The last two tell what else a port speaks.
    reads=(TcpPort, SshOffer, HttpAnswer, TlsPort),
    identifies=(HttpAnswer, TlsPort),
    judge=judge,
    settings=Settings,
    # A flaw and no configuration, to which the NVD gave no vector of CVSS version 2. On the path, integrity of the first messages only.
    vectors={"": "AV:N/AC:H/Au:N/C:N/I:P/A:N"},
    remedy=SSH_STRICT,
    controls=("SI-2", "SC-8(1)"),
    version="3",
)
