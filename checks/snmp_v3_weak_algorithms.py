"""An SNMPv3 user is served with weak algorithms.

Fails when
    A supplied user is served, and its pair holds MD5 for authentication or DES for privacy, as far as the baseline calls
    them weak; each algorithm is a subject of its own. SHA-1 in HMAC is informational: no source forbids it.
Passes when
    The user is served with a pair that the baseline does not call weak.
Unknown when
    No user was given, the device was not confirmed without a secret, or the user is not served there.
Reach
    ask: only the supplied pair is ever tried; nothing is sent beyond snmp-v3-below-authpriv.
Why it matters
    A DES key can be found by exhaustive search, which discloses recorded traffic.
Sources
    RFC 6151 (MD5); RFC 4772 (DES); NIST SP 800-131A Rev. 2, table 9, which judges HMAC by the length of its key alone;
    RFC 7860 and RFC 3826 (what there is instead); NIST SP 800-53 Rev. 5, SC-13
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from hardenprobe import Check, DeviceView, Outcome, Reason, fail, note, passed, unknown
from hardenprobe.checking.views.snmp import untried
from hardenprobe.facts import SnmpEngine, SnmpUser
from hardenprobe.remediation.snmp import SNMP_V3_ALGORITHMS

Digest = Literal["MD5", "SHA-1", "SHA-224", "SHA-256", "SHA-384", "SHA-512"]


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Algorithms that no user should have, by the names of the secrets file.

    Attributes:
        dated_auth: Reported as informational.
    """

    weak_auth: tuple[Digest, ...]
    weak_priv: tuple[Literal["DES", "AES-128"], ...]
    dated_auth: tuple[Digest, ...] = ()


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Decide user by user."""
    expected = (
        f"SNMPv3 users have none of {', '.join((*expect.weak_auth, *expect.weak_priv)) or 'no algorithm'}"
    )
    users = seen.of(SnmpUser)
    if not users:
        yield untried(expected, "no SNMPv3 user was tried on this device")
    for user in users:
        facts, subject = user.facts, f'user "{user.facts.name}"'
        served = [level for level, word in facts.levels.items() if word == "served"]
        # At noAuthNoPriv no algorithm is used, so being served there proves neither.
        used = [
            (facts.auth, expect.weak_auth, {"authNoPriv", "authPriv"}),
            (facts.priv, expect.weak_priv, {"authPriv"}),
        ]
        proven = [(name, weak) for name, weak, levels in used if name and levels & set(served)]
        for name, weak in proven:
            if name in weak:
                yield fail(
                    user,
                    f"served with {name}",
                    expected,
                    value=name,
                    subject=f"{subject}, {name}",
                    vector=name,
                )
        if not proven:
            text = facts.withheld or f"{subject} is not served with its algorithms"
            yield unknown(user, text, expected, reason=Reason.NO_CREDENTIAL, subject=subject)
        elif not any(name in weak for name, weak in proven):
            pair = "/".join(str(name) for name, _ in proven)
            yield passed(user, f"served with {pair}", expected, value=pair, subject=subject)
        if any(name == facts.auth for name, _ in proven) and facts.auth in expect.dated_auth:
            text = f"served with {facts.auth}, which is deprecated in part and not forbidden"
            yield note(user, text, expected, value=facts.auth, subject=f"{subject}, {facts.auth}")


CHECK = Check(
    id="snmp-v3-weak-algorithms",
    document=__doc__,
    reads=(SnmpUser, SnmpEngine),
    judge=judge,
    settings=Settings,
    # HMAC with MD5 or SHA-1 is not broken in use, only at its end; a DES key can be searched for.
    vectors={
        "": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        **dict.fromkeys(("MD5", "SHA-1"), "AV:A/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:P"),
        **dict.fromkeys(("DES", "AES-128"), "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A"),
        **dict.fromkeys(
            ("SHA-224", "SHA-256", "SHA-384", "SHA-512"), "AV:A/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:P"
        ),
    },
    remedy=SNMP_V3_ALGORITHMS,
    controls=("SC-13", "IA-5"),
    version="2",
)
