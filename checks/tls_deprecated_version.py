"""A deprecated version of SSL or TLS is accepted.

Fails when
    SSL 2.0, SSL 3.0, TLS 1.0, TLS 1.1 or another version that the rule set forbids is accepted; one result for each. A
    version that it only advises against is informational.
Passes when
    The port speaks TLS and refuses every version that is forbidden.
Unknown when
    A version could not be asked, or the port closes or is silent.
Reach
    ask: four to seven hellos a port, each abandoned after the server's first flight.
Why it matters
    The deprecated versions have design flaws that let an attacker on the path read or change the traffic, passwords included.
Sources
    RFC 8996 (TLS 1.0 and 1.1); RFC 7568 (SSL 3.0); RFC 6176 (SSL 2.0); RFC 9325 section 3.1.1; NIST SP 800-52 Rev. 2 section 3.1
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hardenprobe import Check, DeviceView, Outcome, fail, note, passed, unknown
from hardenprobe.checking.views.tls import speaking, unanswered, why_unknown
from hardenprobe.facts import HttpAnswer, TcpPort, TlsPort
from hardenprobe.remediation.tls import TLS_OLD_OFF
from hardenprobe.standards.tls_rules import load


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Which published rules decide.

    Attributes:
        rules: Name of a rule set.
    """

    rules: str


EXPECTED = "no version of SSL or TLS that the rule set forbids is accepted"


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """One result for each forbidden version that is accepted or not determined; one pass for a port without any."""
    rules = load(expect.rules)
    forbidden = [version for version, judged in rules.versions.items() if judged.say == "must-not"]
    yield from unanswered(seen, EXPECTED)
    for port in speaking(seen):
        states = {version: port.facts.versions.get(version, "unknown") for version in forbidden}
        for version, state in states.items():
            if state == "accepted":
                source = rules.versions[version].source
                yield fail(
                    port,
                    f"{version} is accepted ({source})",
                    EXPECTED,
                    value=version,
                    wanted=forbidden,
                    subject=version,
                    vector="ssl" if version.startswith("SSL") else "",
                    rule_set=rules.rule_set,
                )
            elif state == "unknown":
                yield unknown(
                    port,
                    f"{version} could not be asked",
                    EXPECTED,
                    reason=why_unknown(port.facts, version),
                    subject=version,
                    rule_set=rules.rule_set,
                )
        for version, judged in rules.versions.items():
            if judged.say == "should-not" and port.facts.versions.get(version) == "accepted":
                text = f"{version} is accepted, and advised against ({judged.source})"
                yield note(port, text, EXPECTED, value=version, subject=version, rule_set=rules.rule_set)
        if set(states.values()) == {"refused"}:
            offered = [v for v, state in port.facts.versions.items() if state == "accepted"]
            yield passed(
                port,
                f"accepts {', '.join(offered) or 'no version'}",
                EXPECTED,
                value=offered,
                rule_set=rules.rule_set,
            )


CHECK = Check(
    id="tls-deprecated-version",
    document=__doc__,
    reads=(TcpPort, TlsPort, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    settings=Settings,
    # SSL: known practical attacks. TLS 1.0 and 1.1: harder ones, on the path as well.
    vectors={
        "ssl": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A",
    },
    remedy=TLS_OLD_OFF,
    controls=("SC-8(1)", "SC-13", "CM-6"),
    version="2",
)
