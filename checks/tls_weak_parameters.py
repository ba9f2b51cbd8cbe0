"""A Diffie-Hellman group or a curve is too small.

Fails when
    A finite-field group, a temporary RSA key or a curve below the rule set's size is used.
Passes when
    Every group and curve that was seen is large enough, and the small curves were asked for and refused.
Unknown when
    Suites or curves could not all be tested, or the port closes or is silent.
Reach
    ask: sizes come with the hellos for the suites; one hello asks for the small curves.
Why it matters
    A group of 1024 bits or less can be broken once for all who use it, which discloses recorded traffic.
Sources
    RFC 9325 section 4.5; RFC 7919; NIST SP 800-57 Part 1 Rev. 5, table 2
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hardenprobe import Check, DeviceView, Outcome, Reason, fail, passed, unknown
from hardenprobe.checking.views.tls import not_enumerated, open_versions, unanswered, walks
from hardenprobe.facts import HttpAnswer, TcpPort, TlsPort, TlsSuites
from hardenprobe.remediation.tls import TLS_PARAMETERS
from hardenprobe.standards.tls_rules import TlsRules, load


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Which published rules decide.

    Attributes:
        rules: Name of a rule set.
    """

    rules: str


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """One result for each kind of parameter that is too small."""
    rules = load(expect.rules)
    sizes = rules.sizes
    expected = f"groups of {sizes.finite_field.bits} bits, curves of {sizes.curve.bits} bits, or more"
    yield from unanswered(seen, expected)
    ports, missing = walks(seen, expected)
    yield from missing
    for port, walk in ports:
        small = _small(rules, walk.facts)
        for what, (bits, where, source) in small.items():
            text = f"{what} of {bits} bits: {'; '.join(where[:6])} ({source}){not_enumerated(walk.facts)}"
            vector = "export" if bits < 768 and what != "curve" else ""
            yield fail(walk, text, expected, value=bits, subject=what, vector=vector, rule_set=rules.rule_set)
        still_open = open_versions(port.facts, walk.facts, rules)
        curves_open = [v for v, done in walk.facts.small_curves_asked.items() if not done and v != "TLS 1.3"]
        # One old version represents all: a server has one list of curves.
        asked = [v for v, done in walk.facts.small_curves_asked.items() if done]
        if still_open:
            text = f"the suites of {', '.join(still_open)} are not all known"
            yield unknown(
                walk, text, expected, reason=next(iter(still_open.values())), rule_set=rules.rule_set
            )
        elif curves_open and not asked:
            text = f"not every small curve of {', '.join(curves_open)} was asked for"
            yield unknown(walk, text, expected, reason=Reason.CEILING, rule_set=rules.rule_set)
        elif not small:
            text = f"every group and curve is large enough{not_enumerated(walk.facts)}"
            yield passed(walk, text, expected, rule_set=rules.rule_set)


def _small(rules: TlsRules, facts: TlsSuites) -> dict[str, tuple[int, list[str], str]]:
    """Kind of parameter to its smallest size, where it was seen, and the rule."""
    seen: list[tuple[str, int, str, int, str]] = []
    field, curve, rsa = rules.sizes.finite_field, rules.sizes.curve, rules.sizes.rsa
    for version, dh in facts.dh_bits.items():
        seen += [
            ("finite-field group", bits, f"{suite} in {version}", field.bits, field.source)
            for suite, bits in dh.items()
        ]
    for version, temporary in facts.rsa_export_bits.items():
        seen += [
            ("temporary RSA key", bits, f"{suite} in {version}", rsa.bits, rsa.source)
            for suite, bits in temporary.items()
        ]
    for version, groups in facts.groups.items():
        for name, bits in groups.items():
            needed = field if name.startswith("ffdhe") else curve
            if bits > 0:
                seen.append(("curve", bits, f"{name} in {version}", needed.bits, needed.source))
    small: dict[str, tuple[int, list[str], str]] = {}
    for what, bits, where, needed_bits, source in seen:
        if bits < needed_bits:
            least, places, _ = small.get(what, (bits, [], source))
            small[what] = (min(least, bits), [*places, where], source)
    return small


CHECK = Check(
    id="tls-weak-parameters",
    document=__doc__,
    reads=(TcpPort, TlsPort, TlsSuites, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    settings=Settings,
    # Export sizes break in hours on one machine; 1024 bits need a large effort.
    vectors={
        "export": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A",
    },
    remedy=TLS_PARAMETERS,
    controls=("SC-12", "SC-13"),
    worse="smaller",
    version="2",
)
