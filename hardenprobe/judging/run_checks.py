"""Runs checks over observations. Touches no network: the same observations give the same results, any time."""

from __future__ import annotations

import hashlib
import logging
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from json.encoder import encode_basestring_ascii
from pathlib import Path
from typing import Any

from hardenprobe.baseline.baseline import Baseline
from hardenprobe.baseline.selection import Expectations
from hardenprobe.checking.check import Check, DeviceView, Fleet, Outcome, SharedValue
from hardenprobe.errors import ScopeRefused, TimeLimitExceeded, blame, clip
from hardenprobe.facts import NotMet, ProbeFault
from hardenprobe.model import (
    INVENTORY,
    CheckNote,
    Clock,
    Device,
    Endpoint,
    Observation,
    Reach,
    Reason,
    Result,
    Said,
    Vantage,
    Word,
)
from hardenprobe.network import audit_hook
from hardenprobe.plugins.contract import hold_outcomes, hold_together
from hardenprobe.plugins.registry import BUILT_IN, Registry
from hardenprobe.plugins.time_limit import limited
from hardenprobe.standards.ccss import score, severity

log = logging.getLogger("hardenprobe.judging.run_checks")


@dataclass(frozen=True, kw_only=True)
class Case:
    """All that a judgement rests on.

    Attributes:
        selected: Ids of the checks that were asked for; the rest is notselected.
        only: Device to the checks that judge it; None where all that are selected judge every device.
        granted: Ids of the checks beyond reach ask that the scope granted by name; None where it granted all.
        fleets: By vantage point, the whole fleet, where `devices` are only some of it.
    """

    devices: Sequence[Device]
    observations: Mapping[str, tuple[Observation[Any], ...]]
    vantages: Sequence[Vantage]
    clock: Clock
    reach: Reach
    selected: frozenset[str]
    only: Mapping[str, frozenset[str]] | None = None
    granted: frozenset[str] | None = None
    fleets: Mapping[str, Fleet] | None = None


def run_checks(case: Case, expected: Expectations, registry: Registry) -> tuple[Result, ...]:
    """Judge every device by every check and its own baseline, from every vantage point; device after device."""
    results: list[Result] = []
    fleets = case.fleets or compared(case.vantages, registry, case.devices, case.observations)
    for device in case.devices:
        everything = case.observations.get(device.id, ())
        baseline = expected.of(device)
        families: Counter[int] = Counter(_version(a.address) for a in device.addresses)
        for vantage in case.vantages:
            if not any(vantage.covers(one.address) for one in device.addresses):
                continue  # the device is not asked from there
            seen = DeviceView(
                device=device,
                vantage=vantage,
                observations=_from(vantage, everything),
                elsewhere=tuple(o for o in everything if o.vantage not in (vantage.name, INVENTORY)),
                clock=case.clock,
                fleet=fleets[vantage.name],
            )
            met = not seen.of(NotMet)
            for check_id, check in registry.checks.items():
                if not met and check.reach is not None:
                    continue  # the device was not reached; only what the inventory declares can be judged
                origin = registry.origins[check_id]
                outcomes = _check(
                    check, seen, case, baseline, None if origin == BUILT_IN else registry.overran
                )
                results += [_result(check, seen, outcome, origin, families) for outcome in outcomes]
    return tuple(results)


def compared(
    vantages: Iterable[Vantage],
    registry: Registry,
    devices: Iterable[Device] = (),
    observations: Mapping[str, tuple[Observation[Any], ...]] | None = None,
) -> dict[str, Fleet]:
    """By vantage point, what devices are compared by."""
    shared = compares(registry)
    fleets = {vantage.name: Fleet((), shared) for vantage in vantages}
    for device in devices:
        shown = [(o.vantage, o.kind, o.facts) for o in (observations or {}).get(device.id, ())]
        for name, fleet in fleets.items():
            fleet.add(
                device.id,
                device.label,
                ((kind, facts) for where, kind, facts in shown if where in (name, INVENTORY)),
            )
    return fleets


def compares(registry: Registry) -> tuple[SharedValue, ...]:
    """What checks look up among the other devices of a review."""
    return tuple(dict.fromkeys(one for check in registry.checks.values() for one in check.compares))


def notes(registry: Registry) -> tuple[CheckNote, ...]:
    """What a stored review keeps of the checks."""
    return tuple(
        CheckNote(
            id=check.id,
            title=check.title,
            version=check.version,
            origin=registry.origins[check.id],
            why=check.sections["Why it matters"],
            references=check.references,
        )
        for check in registry.checks.values()
    )


def _from(vantage: Vantage, everything: tuple[Observation[Any], ...]) -> tuple[Observation[Any], ...]:
    return tuple(o for o in everything if o.vantage in (vantage.name, INVENTORY))


def _check(
    check: Check[Any], seen: DeviceView, case: Case, baseline: Baseline, overran: dict[str, str] | None
) -> list[Outcome]:
    """What one check says of one device.

    Args:
        overran: The checks of plug-ins that took too long of a device, with what is said of them. None for one of ours: they
            are held to the limit by tests with hostile data, and there are many of them.
    """
    refused = audit_hook.refused()
    try:
        outcomes = _outcomes(check, seen, case, baseline, overran)
        if audit_hook.refused() > refused:
            raise ScopeRefused(
                "it tried to reach the network past hardenprobe's door, and hid that it was refused"
            )
        return outcomes
    except (
        Exception,
        SystemExit,
        TimeLimitExceeded,
    ) as exc:  # a check that breaks is named and costs its own result
        log.exception("check %s on %s", check.id, seen.device.id)
        text = (
            str(exc) if isinstance(exc, TimeLimitExceeded) else f"{type(exc).__name__}: {clip(str(exc), 240)}"
        )
        if overran is not None:
            text += _blame(check, exc)
            if isinstance(exc, TimeLimitExceeded):
                overran[check.id] = text
        return [_state(Word.ERROR, text, check, Reason.CRASHED)]


def _blame(check: Check[Any], exc: BaseException) -> str:
    """The file and line of a plug-in's check at which it broke; those of its judge where it broke the contract."""
    code = getattr(check.judge, "__code__", None)
    if code is None:
        return ""
    return blame(exc, str(Path(code.co_filename).parent), f"{code.co_filename}, line {code.co_firstlineno}")


def _outcomes(
    check: Check[Any], seen: DeviceView, case: Case, baseline: Baseline, overran: dict[str, str] | None
) -> list[Outcome]:
    here = case.selected
    if case.only is not None:
        here = frozenset[str]().union(*(case.only.get(id, ()) for id in seen.device.ids))
    if check.id not in here:
        return [_state(Word.NOTSELECTED, "left out of this scan", check)]
    if check.id not in baseline.settings:
        return [_state(Word.NOTSELECTED, f"baseline {baseline.name} does not ask for it", check)]
    listened = case.reach is Reach.LISTEN
    if check.reach is not None and not (Reach.ASK if listened else case.reach).admits(check.reach):
        text = f"needs reach {check.reach}; the scan went as far as {case.reach}"
        return [_state(Word.NOTCHECKED, text, check, Reason.REACH)]
    if (
        case.granted is not None
        and check.reach in (Reach.STRAIN, Reach.ALTER)
        and check.id not in case.granted
    ):
        text = f"the scope does not grant {check.id} by name"
        return [_state(Word.NOTCHECKED, text, check, Reason.REACH)]
    if overran is not None and check.id in overran:
        return [_state(Word.ERROR, f"not judged: elsewhere {overran[check.id]}", check, Reason.CRASHED)]
    with limited() if overran is not None else nullcontext():
        found = hold_outcomes(check, check.judge(seen, baseline.settings[check.id]))
    if overran is not None:
        hold_together(found)
    found = _contained(check, found, _faults(check, seen))
    if not found:
        return [_state(Word.UNKNOWN, "the check said nothing", check, Reason.INCONCLUSIVE)]
    if seen.unasked and check.reach is not None:
        found = [_unless_unasked(outcome, found, seen) for outcome in found]
    found = [held_to_proof(seen, outcome) for outcome in found]
    if listened and check.reach is not None:
        found = [_as_heard(check, outcome) for outcome in found]
    if check.service in baseline.allowed_services:
        return [_allowed(outcome, check.service) for outcome in found]
    return found


def _unless_unasked(outcome: Outcome, found: list[Outcome], seen: DeviceView) -> Outcome:
    """What is said of the whole device rests on each of its addresses; one that was not asked may tell otherwise.

    So is the one thing that is said of a datagram service, which names the port of one address.
    """
    whole = outcome.endpoint is None or (outcome.endpoint.transport == "udp" and len(found) == 1)
    if outcome.word not in (Word.PASS, Word.NOTAPPLICABLE) or not whole or not outcome.proof:
        return outcome
    missing = ", ".join(seen.unasked)
    text = f"{outcome.observed.text}; {missing} of the device was not assessed from {seen.vantage.name}"
    return replace(
        outcome,
        word=Word.UNKNOWN,
        reason=Reason.INCONCLUSIVE,
        observed=replace(outcome.observed, text=text),
    )


def _as_heard(check: Check[Any], outcome: Outcome) -> Outcome:
    """What captured traffic shows of it: that something is there, hardly ever that it is off or that it is all there is.

    What was seen at a place and leaves the question open stays as it is.
    """
    found = outcome.word is Word.FAIL and not check.by_absence
    told = outcome.word is Word.UNKNOWN and outcome.proof and outcome.endpoint
    if (
        outcome.settled
        or found
        or (told and outcome.reason is not Reason.SILENT)
        or outcome.word in (Word.INFORMATIONAL, Word.ERROR)
    ):
        return outcome
    seen = outcome.word is Word.PASS and outcome.endpoint is not None and outcome.proof
    text = f"what was seen: {outcome.observed.text}; " if seen else "not seen; "
    return replace(
        outcome,
        word=Word.UNKNOWN,
        reason=Reason.NOT_SEEN,
        vector=None,
        observed=Said(text=f"{text}captured traffic does not show the rest"),
    )


def _allowed(outcome: Outcome, service: str | None) -> Outcome:
    """What would be a finding is only informational where the baseline allows the service."""
    if outcome.word is not Word.FAIL:
        return outcome
    text = f"{outcome.observed.text}; the baseline allows {service}"
    return replace(
        outcome, word=Word.INFORMATIONAL, observed=replace(outcome.observed, text=text), vector=None
    )


def held_to_proof(seen: DeviceView, outcome: Outcome) -> Outcome:
    """No pass, and no absence, rests on what was cut short or broke its protocol's rules."""
    if outcome.word not in (Word.PASS, Word.NOTAPPLICABLE):
        return outcome
    doubtful = [
        o for o in seen.doubtful if o.id in outcome.proof or (o.endpoint and o.endpoint == outcome.endpoint)
    ]
    if not doubtful:
        return outcome
    observed = replace(outcome.observed, text=f"{outcome.observed.text}; but {doubtful[0].facts.doubt}")
    return replace(outcome, word=Word.UNKNOWN, observed=observed, reason=Reason.INCONCLUSIVE)


def _faults(check: Check[Any], seen: DeviceView) -> list[Observation[ProbeFault]]:
    """What this check rests on and was not obtained, the gravest first."""
    everything = seen.of(ProbeFault)
    if not everything:
        return []
    kinds = {facts.kind for facts in check.reads if facts not in check.identifies}
    faults = [o for o in everything if kinds.intersection(o.facts.kinds)]
    return sorted(faults, key=lambda o: o.facts.reason != Reason.CRASHED)


def _contained(
    check: Check[Any], found: list[Outcome], faults: Sequence[Observation[ProbeFault]]
) -> list[Outcome]:
    """Hold what a check says against what was not obtained: it might have failed there, and a pass would be a guess.

    A fault at a place takes that place, and what is said of the device as a whole. A finding stays one.
    """
    if not faults or (found and all(o.settled for o in found)):
        return found
    everywhere = next((fault for fault in faults if fault.endpoint is None), None)
    if everywhere is not None:
        return found if any(o.word is Word.FAIL for o in found) else [_missing(check, everywhere, None, None)]
    places = {_place(fault.endpoint): fault for fault in reversed(faults)}
    held: dict[tuple[Endpoint | None, str | None], Outcome] = {}
    for outcome in found:
        fault = places.get(_place(outcome.endpoint)) if outcome.endpoint else faults[0]
        if fault is not None and outcome.word is not Word.FAIL:
            outcome = _missing(check, fault, outcome.endpoint, outcome.subject)
        held[outcome.endpoint, outcome.subject] = outcome
    judged = {_place(outcome.endpoint) for outcome in found}
    if None not in judged:
        for fault in places.values():
            if _place(fault.endpoint) not in judged:
                held[fault.endpoint, None] = _missing(check, fault, fault.endpoint, None)
    return list(held.values())


def _place(endpoint: Endpoint | None) -> tuple[str, str, int] | None:
    return (endpoint.address, endpoint.transport, endpoint.port) if endpoint else None


def _missing(
    check: Check[Any], fault: Observation[ProbeFault], endpoint: Endpoint | None, subject: str | None
) -> Outcome:
    reason, text = Reason(fault.facts.reason), fault.facts.text
    if reason is Reason.CRASHED:
        text = f"probe {fault.facts.probe} crashed: {text}"
    place = f"{fault.endpoint.port}/{fault.endpoint.transport}" if fault.endpoint else ""
    where = f" at {place}" if place and place not in text else ""
    text = f"not determined{where}: {text}"
    word = Word.ERROR if reason is Reason.CRASHED else Word.UNKNOWN
    return replace(_state(word, text, check, reason, (fault.id,)), endpoint=endpoint, subject=subject)


def _state(
    word: Word, text: str, check: Check[Any], reason: Reason | None = None, proof: tuple[str, ...] = ()
) -> Outcome:
    return Outcome(
        word=word,
        observed=Said(text=text),
        expected=Said(text=f"not found: {check.title}"),
        reason=reason,
        proof=proof,
    )


def _result(
    check: Check[Any], seen: DeviceView, outcome: Outcome, origin: str, families: Counter[int]
) -> Result:
    failed = outcome.word is Word.FAIL
    vector = value = None
    if failed:
        ordinary = "" if "" in check.vectors else next(iter(check.vectors))
        vector = check.vectors[outcome.vector or ordinary]
        value = score(vector).base
    return Result(
        finding=finding_key(seen.device.id, check.id, outcome.endpoint, outcome.subject, families),
        device=seen.device.id,
        check=check.id,
        check_version=check.version,
        origin=origin,
        endpoint=outcome.endpoint,
        subject=outcome.subject,
        vantage=seen.vantage.name,
        result=outcome.word,
        reason=outcome.reason,
        score=value,
        severity=severity(value) if value is not None else None,
        vector=vector,
        observed=outcome.observed,
        expected=outcome.expected,
        remedy=check.remedy.id if failed else None,
        rule_set=outcome.rule_set,
        controls=check.controls,
        observations=outcome.proof,
    )


def finding_key(
    device: str, check: str, endpoint: Endpoint | None, subject: str | None, families: Mapping[int, int]
) -> str:
    """Name a finding the same way in every review.

    An address is part of the name only where a device has several of one family, since addresses move; what is spoken
    on a port is no part of it, since that is what changes.

    Args:
        families: IP version to the number of addresses that the device has of it.
    """
    place = "null"
    if endpoint is not None:
        version = _version(endpoint.address)
        where = endpoint.address if families.get(version, 0) > 1 else f"ipv{version}"
        place = f'[{_text(where)},"{endpoint.transport}",{endpoint.port}'
        place += f",{_text(endpoint.server_name)},{_text(endpoint.path)}]"
    text = f"[{_text(device)},{_text(check)},{place},{_text(subject)}]"
    return hashlib.sha256(text.encode()).hexdigest()[:24]


def _text(value: str | None) -> str:
    """A text as JSON."""
    return "null" if value is None else encode_basestring_ascii(value)


def _version(address: str) -> int:
    return 6 if ":" in address else 4
