"""A suite without forward secrecy is accepted.

Fails when
    A suite without ephemeral key exchange is accepted that the rule set forbids or advises against.
Passes when
    Every accepted suite has an ephemeral key exchange, or the rule set allows it without (informational).
Unknown when
    The suites of a version could not all be tested, or the port closes or is silent.
Reach
    ask: the same hellos as for tls-weak-cipher.
Why it matters
    Recorded traffic can be decrypted once the device's key is disclosed, for example from a returned device.
Sources
    RFC 9325 section 4.1; RFC 10015 sections 2 and 4; NIST SP 800-52 Rev. 2 section 3.3.1
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hardenprobe import Check, DeviceView, Outcome, fail, note, passed, unknown
from hardenprobe.checking.views.tls import not_enumerated, open_versions, unanswered, walks
from hardenprobe.facts import HttpAnswer, TcpPort, TlsPort, TlsSuites
from hardenprobe.remediation.tls import TLS_SUITES
from hardenprobe.standards.tls_rules import load


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Which published rules decide.

    Attributes:
        rules: Name of a rule set.
    """

    rules: str


EXPECTED = "every accepted suite has an ephemeral key exchange"


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """One result for each kind of key exchange without forward secrecy."""
    rules = load(expect.rules)
    yield from unanswered(seen, EXPECTED)
    ports, missing = walks(seen, EXPECTED)
    yield from missing
    for port, walk in ports:
        kinds: dict[str, list[str]] = {}
        for version, suites in walk.facts.suites.items():
            for suite in suites:
                rule = rules.key_exchange(suite)
                if rule is not None and rule.ephemeral is False:
                    kinds.setdefault(rule.weakness, []).append(f"{suite} in {version}")
        failed = False
        rest = not_enumerated(walk.facts)
        for kind, where in sorted(kinds.items()):
            rule = rules.key_exchange(where[0].split()[0])
            assert rule is not None
            more = f"; and {len(where) - 6} more" if len(where) > 6 else ""
            said = f"{rule.say.upper().replace('-', ' ')}, {rule.source}"
            text = f"{kind}: {'; '.join(where[:6])}{more} ({said}){rest}"
            if rule.discouraged:
                failed = True
                yield fail(walk, text, EXPECTED, value=where, subject=kind, rule_set=rules.rule_set)
            else:
                yield note(walk, text, EXPECTED, value=where, subject=kind, rule_set=rules.rule_set)
        still_open = open_versions(port.facts, walk.facts, rules)
        if still_open:
            text = f"the suites of {', '.join(still_open)} are not all known"
            reason = next(iter(still_open.values()))
            yield unknown(walk, text, EXPECTED, reason=reason, rule_set=rules.rule_set)
        elif not failed:
            count = sum(len(suites) for suites in walk.facts.suites.values())
            text = f"none of {count} accepted suites lacks forward secrecy that the rule set requires"
            yield passed(walk, text + rest, EXPECTED, rule_set=rules.rule_set)


CHECK = Check(
    id="tls-no-forward-secrecy",
    document=__doc__,
    reads=(TcpPort, TlsPort, TlsSuites, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    settings=Settings,
    # The key must be taken as well, so only confidentiality, and with effort.
    vectors={"": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:U/EM:A"},
    remedy=TLS_SUITES,
    controls=("SC-8(1)", "SC-12", "SC-13"),
    version="2",
)
