"""SSH group exchange goes below 2048 bits.

Fails when
    The server offers group exchange and, asked for a group of 1024 bits, chooses one below the rule set's size.
Passes when
    It chooses one that is large enough, or offers no group exchange.
Unknown when
    The server's list or its group did not come, or the port closes or is silent.
Reach
    ask: one connection more where group exchange is offered; it ends at the group, and there is no sign-in.
Why it matters
    A group of 1024 bits can be broken by who can pay for it, once for all who use it; then recorded sessions can be read, the
    administrator's password among them.
Sources
    RFC 8270; RFC 9142, Table 12; RFC 4419, section 3
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hardenprobe import Check, DeviceView, Outcome, Reason, fail, passed, unknown
from hardenprobe.checking.views.ssh import offers, why
from hardenprobe.facts import HttpAnswer, SshGroup, SshOffer, TcpPort, TlsPort
from hardenprobe.remediation.ssh import SSH_ALGORITHMS
from hardenprobe.standards.ssh_rules import load


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Name of the rule set that decides."""

    rules: str = "rules-ssh-rfc9142"


GROUP_EXCHANGE = "diffie-hellman-group-exchange-"


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Decide from the group that came when a small one was asked for."""
    rules = load(expect.rules)
    least = rules.group_exchange
    expected = f"a group exchange chooses groups of {least.bits} bits or more"
    known, missing = offers(seen, expected)
    yield from missing
    groups = {o.endpoint: o for o in seen.of(SshGroup)}
    for offer in known:
        group = groups.get(offer.endpoint)
        bits = group.facts.bits if group else None
        if not any(name.startswith(GROUP_EXCHANGE) for name in offer.facts.key_exchanges):
            yield passed(offer, "no group exchange is offered", expected, rule_set=rules.rule_set)
        elif group is None:
            yield unknown(offer, "no group was asked for", expected, reason=Reason.CEILING)
        elif bits is None:
            yield unknown(
                group, f"no group came: {group.facts.fault}", expected, reason=why(group.facts.fault)
            )
        elif bits < least.bits:
            text = f"chooses a group of {bits} bits ({least.source})"
            yield fail(group, text, expected, value=bits, wanted=least.bits, rule_set=rules.rule_set)
        else:
            text = f"asked for {group.facts.asked} bits, it chooses {bits}"
            yield passed(group, text, expected, value=bits, rule_set=rules.rule_set)


CHECK = Check(
    id="ssh-weak-group-exchange",
    document=__doc__,
    # The last two tell what else a port speaks.
    reads=(TcpPort, SshOffer, SshGroup, HttpAnswer, TlsPort),
    identifies=(HttpAnswer, TlsPort),
    judge=judge,
    settings=Settings,
    # As a fixed group of 1024 bits: it can be precomputed by who can pay for it.
    vectors={"": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A"},
    remedy=SSH_ALGORITHMS,
    controls=("SC-8(1)", "SC-12", "SC-13"),
    worse="smaller",
)
