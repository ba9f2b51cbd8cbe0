"""No current version of TLS is accepted.

Fails when
    A port speaks SSL or TLS and accepts no version at or above the baseline's minimum.
Passes when
    The minimum or a later version is accepted.
Unknown when
    A version that would do could not be asked, or the port closes or is silent.
Reach
    ask: the same hellos as for tls-deprecated-version.
Why it matters
    Without a current version, old ones cannot be switched off, and current clients cannot connect.
Sources
    RFC 9325 section 3.1.1; NIST SP 800-52 Rev. 2 section 3.1
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from hardenprobe import Check, DeviceView, Outcome, fail, passed, unknown
from hardenprobe.checking.views.tls import speaking, unanswered, why_unknown
from hardenprobe.facts import VERSIONS, HttpAnswer, TcpPort, TlsPort
from hardenprobe.remediation.tls import TLS_MODERN


@dataclass(frozen=True, kw_only=True)
class Settings:
    """How new is new enough.

    Attributes:
        minimum: The lowest version that will do.
    """

    minimum: Literal["TLS 1.2", "TLS 1.3"]


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Pass on one accepted version that will do; fail only when all of them are refused."""
    expected = f"{expect.minimum} or later is accepted"
    enough = VERSIONS[VERSIONS.index(expect.minimum) :]
    yield from unanswered(seen, expected)
    for port in speaking(seen):
        states = {version: port.facts.versions.get(version, "unknown") for version in enough}
        accepted = [version for version, state in states.items() if state == "accepted"]
        undetermined = [version for version, state in states.items() if state == "unknown"]
        if accepted:
            yield passed(
                port, f"accepts {', '.join(accepted)}", expected, value=accepted, wanted=expect.minimum
            )
        elif undetermined:
            reason = why_unknown(port.facts, undetermined[0])
            yield unknown(port, f"{', '.join(undetermined)} could not be asked", expected, reason=reason)
        else:
            old = [version for version, state in port.facts.versions.items() if state == "accepted"]
            text = (
                f"accepts only {', '.join(old)}"
                if old
                else "speaks TLS and accepts no version that was offered"
            )
            yield fail(port, text, expected, value=old, wanted=expect.minimum)


CHECK = Check(
    id="tls-current-version-missing",
    document=__doc__,
    reads=(TcpPort, TlsPort, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    settings=Settings,
    vectors={"": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A"},
    remedy=TLS_MODERN,
    controls=("SC-8(1)", "SC-13"),
    by_absence=True,
    version="2",
)
