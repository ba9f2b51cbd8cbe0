"""A weak SSH cipher is offered.

Fails when
    The server offers, in either direction, no encryption, RC4, DES, 3DES or another cipher with a block of 64 bits; CBC
    if the baseline says so. One result a weakness.
Passes when
    Every offered cipher is one that the rule set allows or does not rate. Compression "none" is no cipher.
Unknown when
    The server's list did not come, or the port closes or is silent.
Reach
    ask: one connection; the list is read before any sign-in.
Why it matters
    A client that negotiates such a cipher sends passwords and settings that can be read on the path.
Sources
    RFC 8758 section 2 (RC4); RFC 4253 section 6.3; CVE-2016-2183 (blocks of 64 bits); CVE-2008-5161 (CBC)
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, Outcome
from hardenprobe.checking.views.ssh import NameSettings, judge_names
from hardenprobe.facts import HttpAnswer, SshOffer, TcpPort, TlsPort
from hardenprobe.remediation.ssh import SSH_ALGORITHMS

EXPECTED = "no cipher is offered that the rule set forbids or advises against"


def judge(seen: DeviceView, expect: NameSettings) -> Iterable[Outcome]:
    """One result for each weakness; unrated ciphers are reported separately, never as fail or pass."""
    return judge_names(seen, expect.rules, "ciphers", what="ciphers", expected=EXPECTED, dated=expect.dated)


CHECK = Check(
    id="ssh-weak-cipher",
    document=__doc__,
    # The last two tell what else a port speaks.
    reads=(TcpPort, SshOffer, HttpAnswer, TlsPort),
    identifies=(HttpAnswer, TlsPort),
    judge=judge,
    settings=NameSettings,
    # none: no protection once chosen. weak: practical attacks on the cipher. dated: attacks that need much or many.
    vectors={
        "none": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "weak": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "dated": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:U/EM:A",
    },
    remedy=SSH_ALGORITHMS,
    controls=("SC-8(1)", "SC-13", "CM-6"),
    version="2",
)
