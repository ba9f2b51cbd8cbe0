"""What the TLS checks look at: ports that speak TLS, and what to say of those that do not tell."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from hardenprobe.checking.absence import no_service
from hardenprobe.checking.check import DeviceView, Outcome, fail, passed, unknown
from hardenprobe.facts import Certificate, Chain, HttpAnswer, TlsFlaws, TlsPort, TlsSecondOpinion, TlsSuites
from hardenprobe.model import Observation, Reason, Said, Word
from hardenprobe.standards.tls_rules import TlsRules

_UNTOLD = {
    "closed": ("closed at a TLS hello", Reason.DROPPED),
    "silent": ("accepts and is silent to a TLS hello", Reason.SILENT),
    "broken": ("answers a hello in TLS that breaks its own rules", Reason.INCONCLUSIVE),
}


def speaking(seen: DeviceView) -> tuple[Observation[TlsPort], ...]:
    """The ports that answered in TLS."""
    if "ports that speak TLS" not in seen.memo:
        seen.memo["ports that speak TLS"] = tuple(o for o in seen.of(TlsPort) if o.facts.speaks)
    found: tuple[Observation[TlsPort], ...] = seen.memo["ports that speak TLS"]
    return found


def unanswered(seen: DeviceView, expected: str) -> Iterable[Outcome]:
    """One outcome for each port that closed or fell silent at a hello, and one for a device without any TLS."""
    key = "ports that do not tell TLS"
    if key not in seen.memo:
        http = {
            (o.endpoint.address, o.endpoint.port)
            for o in seen.of(HttpAnswer)
            if o.endpoint and o.facts.status is not None and not o.facts.tls
        }
        seen.memo[key] = [
            port
            for port in seen.of(TlsPort)
            if not port.facts.speaks
            and port.facts.fault in _UNTOLD
            and not (port.endpoint and (port.endpoint.address, port.endpoint.port) in http)
        ]
    mute: list[Observation[TlsPort]] = seen.memo[key]
    for port in mute:
        what, reason = _UNTOLD[str(port.facts.fault)]
        yield unknown(port, what, expected, reason=reason)
    if not mute and not speaking(seen):
        yield no_service(seen, expected, "TLS")


def why_unknown(facts: TlsPort | TlsSuites, version: str) -> Reason:
    """Why a version, or the suites of a version, is not determined."""
    word = facts.unknown_why.get(version, "")
    return Reason(word) if word in set(Reason) else Reason.INCONCLUSIVE


def judge_hellos(
    seen: DeviceView,
    expected: str,
    told: Callable[[TlsPort], dict[str, bool]],
    *,
    bad: bool,
    fails: str,
    passes: str,
) -> Iterable[Outcome]:
    """One result a port about what the hello of each version below TLS 1.3 shows.

    Args:
        told: Version to what its hello shows.
        bad: What must not be shown.
        fails, passes: The text, with `{}` for the versions.
    """
    yield from unanswered(seen, expected)
    for port in speaking(seen):
        facts, shown = port.facts, told(port.facts)
        wrong = [version for version, value in shown.items() if value is bad]
        # SSL 2.0 has neither compression nor renegotiation; what it could not tell matters nothing here.
        undetermined = [
            v
            for v, state in facts.versions.items()
            if v not in ("SSL 2.0", "TLS 1.3")
            and (state == "unknown" or (state == "accepted" and v not in shown))
        ]
        if wrong:
            yield fail(port, fails.format(", ".join(wrong)), expected, value=wrong)
        elif undetermined:
            reason = why_unknown(facts, undetermined[0])
            yield unknown(port, f"{', '.join(undetermined)} could not be asked", expected, reason=reason)
        else:
            yield passed(port, passes.format(", ".join(shown) or "no version below TLS 1.3"), expected)


def chains(seen: DeviceView) -> Iterator[tuple[Observation[TlsPort] | Observation[TlsSuites], Chain]]:
    """Every distinct chain of every port."""
    for port in speaking(seen):
        for chain in port.facts.chains:
            yield port, chain
    for walk in seen.of(TlsSuites):
        for chain in walk.facts.chains:
            yield walk, chain


def leaves(
    seen: DeviceView, expected: str
) -> tuple[list[tuple[Observation[TlsPort] | Observation[TlsSuites], Chain, Certificate]], list[Outcome]]:
    """Readable leaf certificates, and an outcome for each port whose certificate did not come or cannot be read."""
    found = []
    missing: list[Outcome] = []
    for port in speaking(seen):
        if not port.facts.chains:
            missing.append(unknown(port, "no certificate came", expected))
    for at, chain in chains(seen):
        if chain.certificates:
            found.append((at, chain, chain.certificates[0]))
        else:
            missing.append(
                unknown(at, chain.fault or "no certificate", expected, subject=chain.label or None)
            )
    return found, missing


def served_issuers(chain: Chain) -> tuple[Certificate, ...]:
    """The certificates that were sent with a leaf and issued the one before, by their names, up to the anchor.

    What is sent along and issued nothing of the path is left out (RFC 5280 section 6.1). Of several for one issuer, as
    cross-certification makes them (RFC 4158 section 1.5), clients can take any; the one that lasts longest counts.
    """
    found: list[Certificate] = []
    at, rest = chain.certificates[0], list(chain.certificates[1:])
    while not at.self_signed and (same := [c for c in rest if c.subject == at.issuer]):
        at = max(same, key=lambda c: c.not_after)
        rest = [c for c in rest if c not in same]
        found.append(at)
    return tuple(found[: len(chain.path.issuers)] if chain.path.trusted else found)


def served_below_anchor(chain: Chain) -> tuple[Certificate, ...]:
    """The served issuers without the anchor's own certificate, which is no part of a path, nor one that replaces it."""
    found = served_issuers(chain)
    if chain.path.trusted:
        return found[: max(len(chain.path.issuers) - 1, 0)]
    return tuple(one for one in found if not one.self_signed)


def walks(
    seen: DeviceView, expected: str
) -> tuple[list[tuple[Observation[TlsPort], Observation[TlsSuites]]], list[Outcome]]:
    """Ports with their suites, and an outcome for each port whose suites were not asked."""
    found = []
    missing: list[Outcome] = []
    by_place = {o.endpoint: o for o in seen.of(TlsSuites)}
    for port in speaking(seen):
        walk = by_place.get(port.endpoint)
        if walk is None:
            missing.append(unknown(port, "suites were not probed", expected, reason=Reason.CEILING))
        else:
            found.append((port, walk))
    return found, missing


def open_versions(port: TlsPort, walk: TlsSuites, rules: TlsRules) -> dict[str, Reason]:
    """Versions of which too few suites are known to judge by a rule-set, each with the reason."""
    found = {v: why_unknown(port, v) for v, state in port.versions.items() if state == "unknown"}
    if walk.classes and rules.distinctions not in walk.classes.values():
        found |= dict.fromkeys(walk.suites, Reason.INCONCLUSIVE)
    return found | {v: why_unknown(walk, v) for v in walk.unknown_why}


def not_enumerated(walk: TlsSuites) -> str:
    """What was not asked for, as the end of a sentence; empty where every suite was."""
    return (
        "; one suite of each class was asked for, others of its class were not enumerated"
        if walk.classes
        else ""
    )


def disagreements(walk: TlsSuites, second: TlsSecondOpinion) -> list[str]:
    """Where two implementations differ about what is accepted, among the suites that the second one asks for.

    What either of them could not finish is no disagreement.
    """
    found = []
    for version, theirs in second.suites.items():
        ours = set(walk.suites.get(version, ()))
        if version in walk.unknown_why:
            continue
        asked = set(second.asked.get(version, ()))
        found += [f"{suite} in {version}: only ours" for suite in sorted((ours & asked) - set(theirs))]
        if not walk.classes:
            found += [f"{suite} in {version}: only theirs" for suite in sorted(set(theirs) - ours)]
    return found


def second_opinion(seen: DeviceView, walk: Observation[TlsSuites], expected: str) -> Iterable[Outcome]:
    """An error where another implementation finds other suites, unknown where it could not finish; else nothing."""
    for second in seen.of(TlsSecondOpinion):
        if second.endpoint != walk.endpoint:
            continue
        if apart := disagreements(walk.facts, second.facts):
            more = f"; and {len(apart) - 6} more" if len(apart) > 6 else ""
            yield Outcome(
                word=Word.ERROR,
                observed=Said(
                    text=f"two implementations disagree: {'; '.join(apart[:6])}{more}", value=apart
                ),
                expected=Said(text=expected),
                endpoint=walk.endpoint,
                subject="second opinion",
                reason=Reason.INCONCLUSIVE,
                proof=(walk.id, second.id),
            )
        elif second.facts.fault:
            yield unknown(
                second, f"no second opinion: {second.facts.fault}", expected, subject="second opinion"
            )


def judge_flaw(seen: DeviceView, name: str, what: str, expected: str) -> Iterable[Outcome]:
    """One result a port about one of the flaws of TlsFlaws.

    Args:
        name: Its field.
        what: What is wrong where it is there, as a sentence says it.
    """
    yield from unanswered(seen, expected)
    by_place = {o.endpoint: o for o in seen.of(TlsFlaws)}
    for port in speaking(seen):
        probe = by_place.get(port.endpoint)
        if probe is None:
            yield unknown(port, "the flaw was not probed for", expected, reason=Reason.REACH)
            continue
        state, how = getattr(probe.facts, name), probe.facts.how.get(name, "")
        second = probe.facts.second.get(name, "unknown")
        if {state, second} == {"vulnerable", "sound"}:
            yield Outcome(
                word=Word.ERROR,
                observed=Said(text=f"two implementations disagree: {state} ({how}), and {second}"),
                expected=Said(text=expected),
                endpoint=probe.endpoint,
                reason=Reason.INCONCLUSIVE,
                proof=(probe.id,),
            )
            continue
        detail = f" ({how})" if how else ""
        if state == "vulnerable":
            yield fail(probe, what + detail, expected, value=how or None)
        elif state == "sound":
            yield passed(probe, f"the probe found nothing{detail}", expected)
        else:
            word = probe.facts.unknown_why or ""
            reason = Reason(word) if word in set(Reason) else Reason.INCONCLUSIVE
            yield unknown(probe, f"inconclusive response{detail}", expected, reason=reason)
