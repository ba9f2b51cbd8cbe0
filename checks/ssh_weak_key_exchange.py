"""A weak SSH key exchange method is offered.

Fails when
    The server offers a method that the rule set calls SHOULD NOT or MUST NOT; one result a weakness.
Passes when
    Every offered method is one that the rule set allows or does not rate. Markers such as ext-info-s and kex-strict-s
    are no methods; diffie-hellman-group14-sha1 is still allowed as a last resort.
Unknown when
    The server's list did not come, or the port closes or is silent.
Reach
    ask: one connection; the list is read before any sign-in.
Why it matters
    An attacker who records a session and later breaks its key exchange reads passwords and settings.
Sources
    RFC 9142 Table 12; RFC 8732 (GSS); NIST SP 800-53 Rev. 5, SC-12
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hardenprobe import Check, DeviceView, Outcome
from hardenprobe.checking.views.ssh import judge_names
from hardenprobe.facts import HttpAnswer, SshOffer, TcpPort, TlsPort
from hardenprobe.remediation.ssh import SSH_ALGORITHMS


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Name of the rule set that decides."""

    rules: str


EXPECTED = "no method is offered that the rule set forbids or advises against"


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Go through the rule set's table row by row."""
    what = "key exchange methods"
    return judge_names(seen, expect.rules, "key_exchanges", what=what, expected=EXPECTED, dated="fail")


CHECK = Check(
    id="ssh-weak-key-exchange",
    document=__doc__,
    # The last two tell what else a port speaks.
    reads=(TcpPort, SshOffer, HttpAnswer, TlsPort),
    identifies=(HttpAnswer, TlsPort),
    judge=judge,
    settings=Settings,
    # weak: a group of 1024 bits can be precomputed by who can pay for it. dated: a collision in SHA-1 within seconds.
    vectors={
        "weak": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "dated": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:U/EM:A",
    },
    remedy=SSH_ALGORITHMS,
    controls=("SC-8(1)", "SC-12", "SC-13"),
    version="2",
)
