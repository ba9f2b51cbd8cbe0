"""A weak cipher suite is accepted.

Fails when
    A suite is accepted that the rule set forbids, whose cipher is below 128 bits or, if the baseline says so, that the rule
    set advises against; one result a weakness.
Passes when
    No accepted suite is one of these; what is only advised against is informational.
Unknown when
    The suites of a version could not all be tested, or the port closes or is silent. Where a second implementation
    was asked as well and disagrees, one more result says `error`.
Reach
    ask: one hello for each accepted suite and one more a version; with `tls_suites: classes`, one for each class.
Why it matters
    A client that negotiates such a suite sends passwords and documents that can be read or changed on the path.
Sources
    RFC 9325 sections 4.1 and 4.2; RFC 7465 (RC4); RFC 10015; NIST SP 800-52 Rev. 2 section 3.3.1
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from annotated_types import Ge

from hardenprobe import Check, DeviceView, Outcome, fail, note, passed, unknown
from hardenprobe.checking.views.tls import not_enumerated, open_versions, second_opinion, unanswered, walks
from hardenprobe.facts import HttpAnswer, TcpPort, TlsPort, TlsSecondOpinion, TlsSuites
from hardenprobe.remediation.tls import TLS_SUITES
from hardenprobe.standards.tls_rules import SuiteRule, TlsRules, load


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Which published rules decide, and how strictly.

    Attributes:
        rules: Name of a rule set.
        fail_on: "must-not" lets what is merely advised against through as informational.
        smallest_bits: A cipher of less strength fails all the same (RFC 9325 section 4.1).
    """

    rules: str
    fail_on: Literal["must-not", "should-not"]
    smallest_bits: Annotated[int, Ge(0)] = 128


EXPECTED = "no suite is accepted that the rule set forbids"


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """One result for each weakness; unrated suites are reported separately, never as fail or pass."""
    rules = load(expect.rules)
    yield from unanswered(seen, EXPECTED)
    ports, missing = walks(seen, EXPECTED)
    yield from missing
    for port, walk in ports:
        yield from second_opinion(seen, walk, EXPECTED)
        weak, unrated = _sort(rules, walk.facts)
        failed = False
        rest = not_enumerated(walk.facts)
        for weakness, (rule, where) in sorted(weak.items()):
            text = f"{weakness}: {_listed(where)} ({rule.say.upper().replace('-', ' ')}, {rule.source}){rest}"
            told: dict[str, Any] = {"value": where, "subject": weakness, "rule_set": rules.rule_set}
            short = rule.bits is not None and rule.bits < expect.smallest_bits
            if short or rule.say == "must-not" or expect.fail_on == "should-not":
                failed = True
                yield fail(walk, text, EXPECTED, vector=rule.kind, **told)
            else:
                yield note(walk, text, EXPECTED, **told)
        if unrated:
            text = f"{len(unrated)} accepted suites are not rated: {_listed(unrated)}{rest}"
            yield note(walk, text, EXPECTED, value=unrated, subject="unrated", rule_set=rules.rule_set)
        still_open = open_versions(port.facts, walk.facts, rules)
        if still_open:
            text = f"the suites of {', '.join(still_open)} are not all known"
            reason = next(iter(still_open.values()))
            yield unknown(walk, text, EXPECTED, reason=reason, rule_set=rules.rule_set)
        elif not failed:
            count = sum(len(suites) for suites in walk.facts.suites.values())
            text = f"{count} accepted suites; no cipher is below {expect.smallest_bits} bits or forbidden"
            yield passed(walk, text + rest, EXPECTED, rule_set=rules.rule_set)


def _sort(
    rules: TlsRules, facts: TlsSuites
) -> tuple[dict[str, tuple[SuiteRule, dict[str, list[str]]]], dict[str, list[str]]]:
    """Accepted suites by weakness, then those without a rule; both as suite to versions."""
    weak: dict[str, tuple[SuiteRule, dict[str, list[str]]]] = {}
    unrated: dict[str, list[str]] = {}
    for version, suites in facts.suites.items():
        protected = facts.encrypt_then_mac.get(version, {})
        for suite in suites:
            rule = rules.cipher(suite, protected.get(suite))
            if rule is None:
                unrated.setdefault(suite, []).append(version)
            elif rule.discouraged:
                _, where = weak.setdefault(rule.weakness, (rule, {}))
                where.setdefault(suite, []).append(version)
    return weak, unrated


def _listed(where: dict[str, list[str]]) -> str:
    """Name suites with their versions, the first six."""
    parts = [f"{suite} in {', '.join(versions)}" for suite, versions in list(where.items())[:6]]
    more = len(where) - len(parts)
    return "; ".join(parts) + (f"; and {more} more" if more else "")


CHECK = Check(
    id="tls-weak-cipher",
    document=__doc__,
    reads=(TcpPort, TlsPort, TlsSuites, TlsSecondOpinion, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    settings=Settings,
    # none: no protection once chosen. weak: what is sent again and again, such as a password, can be read, and is then used.
    # dated: advised against for what may come; no attack on the cipher is known.
    vectors={
        "none": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "weak": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "dated": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:U/EM:A",
    },
    remedy=TLS_SUITES,
    controls=("SC-8(1)", "SC-13", "CM-6"),
    version="2",
)
