"""A weak SSH message authentication code is offered.

Fails when
    The server offers, in either direction, no MAC, one with MD5, or one cut to 96 bits; SHA-1 if the baseline says so.
    One result a weakness.
Passes when
    Every offered MAC is one that the rule set allows or does not rate, or none is used, since every cipher authenticates by
    itself.
Unknown when
    The server's list did not come, or the port closes or is silent.
Reach
    ask: one connection; the list is read before any sign-in.
Why it matters
    Data without a strong MAC can be changed on the path.
Sources
    RFC 4253 section 6.4; RFC 6668 section 2; RFC 6151 (MD5); RFC 5647 section 5.1
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, Outcome
from hardenprobe.checking.views.ssh import NameSettings, judge_names
from hardenprobe.facts import HttpAnswer, SshOffer, TcpPort, TlsPort
from hardenprobe.remediation.ssh import SSH_ALGORITHMS

EXPECTED = "no MAC is offered that the rule set forbids or advises against"


def judge(seen: DeviceView, expect: NameSettings) -> Iterable[Outcome]:
    """One result for each weakness; unrated MACs are reported separately, never as fail or pass."""
    return judge_names(seen, expect.rules, "macs", what="MACs", expected=EXPECTED, dated=expect.dated)


CHECK = Check(
    id="ssh-weak-mac",
    document=__doc__,
    # The last two tell what else a port speaks.
    reads=(TcpPort, SshOffer, HttpAnswer, TlsPort),
    identifies=(HttpAnswer, TlsPort),
    judge=judge,
    settings=NameSettings,
    # none: whatever is sent can be changed. weak and dated: no practical attack on the MAC as SSH uses it.
    vectors={
        "none": "AV:N/AC:M/Au:N/C:N/I:P/A:N/PL:U/EM:A",
        "weak": "AV:N/AC:H/Au:N/C:N/I:P/A:N/PL:U/EM:A",
        "dated": "AV:N/AC:H/Au:N/C:N/I:P/A:N/PL:U/EM:A",
    },
    remedy=SSH_ALGORITHMS,
    controls=("SC-8(1)", "SC-13", "CM-6"),
    version="3",
)
