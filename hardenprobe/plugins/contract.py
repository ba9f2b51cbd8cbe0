"""The contract of checks and probes, verified when they are loaded and whenever a check has judged."""

from __future__ import annotations

import inspect
from collections.abc import Iterable, Mapping
from dataclasses import replace
from itertools import islice
from operator import attrgetter
from typing import TYPE_CHECKING, Any

from hardenprobe.checking.check import Check, Outcome
from hardenprobe.errors import ContractBroken, clip
from hardenprobe.facts import KINDS
from hardenprobe.model import Endpoint, Observation, Reach, Reason, Remedy, RuleSet, Said, Word
from hardenprobe.probes.base import Probe
from hardenprobe.scope.ports import NEVER_SPEAK
from hardenprobe.standards.ccss import score

if TYPE_CHECKING:
    from hardenprobe.network.link import DeviceLink

MOST_OUTCOMES = 10_000  # of one check on one device; a flood would fill the store
_SAYS: Mapping[str, tuple[type[Any], ...]] = {
    "word": (Word,),
    "observed": (Said,),
    "expected": (Said,),
    "endpoint": (Endpoint, type(None)),
    "subject": (str, type(None)),
    "reason": (Reason, type(None)),
    "vector": (str, type(None)),
    "proof": (tuple,),
    "rule_set": (RuleSet, type(None)),
    "settled": (bool,),
}
_said = attrgetter(*_SAYS)
_HELD: set[tuple[type[Any], ...]] = set()  # the types of outcomes that were held to it, since there are few


def hold_check(found: object) -> Check[Any]:
    """Hold a check to what a check must be.

    Raises:
        ContractBroken, ValueError: What it declares, and what was expected.
    """
    if not isinstance(found, Check):
        raise ContractBroken(f"expected a Check, got {type(found).__name__}")
    for vector in found.vectors.values():
        score(vector)
    if not isinstance(found.remedy, Remedy):
        raise ContractBroken(f"its remedy is {clip(found.remedy)}, expected a Remedy")
    if not callable(found.judge):
        raise ContractBroken(f"its judge is {clip(found.judge)}, expected a function")
    if not (found.reach is None or isinstance(found.reach, Reach)):
        raise ContractBroken(f"its reach is {clip(found.reach)}, expected a Reach or None")
    _hold_kinds("reads", found.reads)
    if not isinstance(found.identifies, tuple) or not set(found.identifies) < set(found.reads):
        raise ContractBroken(
            f"its identifies is {clip(found.identifies)}, expected some of its reads and not all"
        )
    return found


def hold_probe(found: object) -> Probe:
    """Hold a plug-in's probe to what it must be.

    Raises:
        ContractBroken: What it declares, and what was expected.
    """
    if not isinstance(found, Probe):
        raise ContractBroken(f"expected a Probe, got {type(found).__name__}")
    if not inspect.isasyncgenfunction(found.ask):
        raise ContractBroken(f"the ask of probe {found.name} is no `async def` with a `yield`")
    _hold_kinds("produces", found.produces)
    for kind in found.produces:
        if kind.__module__.startswith("hardenprobe."):
            raise ContractBroken(
                f"probe {found.name} produces {kind.kind!r}, which is hardenprobe's own; declare facts of your own"
            )
    for port, word in found.tcp_ports.items():
        if not 1 <= port <= 65535:
            raise ContractBroken(f"probe {found.name} speaks {word} on {port}, which is no port")
        if port in NEVER_SPEAK:
            raise ContractBroken(
                f"probe {found.name} wants to speak on {port}/tcp: a device prints what it hears there"
            )
    return found


def hold_observation(probe: Probe, observation: object, line: DeviceLink) -> Observation[Any]:
    """Hold what a plug-in's probe yields to what it may.

    Raises:
        ContractBroken: Says what it is.
    """
    kind = type(getattr(observation, "facts", None))
    if not isinstance(observation, Observation) or kind not in probe.produces:
        raise ContractBroken(
            f"probe {probe.name} yields {kind.__name__}, which it does not name in `produces`"
        )
    at = observation.endpoint
    if observation.vantage != line.vantage or (at is not None and at.address != line.address):
        raise ContractBroken(f"probe {probe.name} yields what was not seen of {line.address}")
    return observation


def _hold_kinds(field: str, kinds: Any) -> None:
    if not isinstance(kinds, tuple) or not kinds:
        raise ContractBroken(f"its {field} is {clip(kinds)}, expected a tuple of facts")
    for kind in kinds:
        if KINDS.get(getattr(kind, "kind", "")) is not kind:
            raise ContractBroken(f"its {field} names {clip(kind)}, which is not registered with @facts")


def hold_outcomes(check: Check[Any], outcomes: Iterable[Outcome]) -> list[Outcome]:
    """Take what a judge says, and hold it to what may be said.

    Raises:
        ContractBroken: What it said, and what was expected.
    """
    if isinstance(outcomes, Outcome) or not isinstance(outcomes, Iterable):
        raise ContractBroken(f"its judge returned {clip(outcomes)}, expected outcomes one after the other")
    found = list(islice(outcomes, MOST_OUTCOMES + 1))
    if len(found) > MOST_OUTCOMES:
        raise ContractBroken(f"its judge says more than {MOST_OUTCOMES:,} things of one device")
    for outcome in found:
        _hold_outcome(check, outcome)
    return found


def hold_together(found: Iterable[Outcome]) -> None:
    """Hold a plug-in's outcomes to each other: one of a place and subject, and no fail beside a pass of the whole device.

    Raises:
        ContractBroken: Says which.
    """
    said: dict[tuple[Endpoint | None, str | None], Word] = {}
    for outcome in found:
        at = outcome.endpoint and replace(outcome.endpoint, protocol=None)
        if before := said.get((at, outcome.subject)):
            words = f"{before} and {outcome.word}" if before is not outcome.word else f"{before} twice"
            raise ContractBroken(f"its judge says {words} of {_called(at, outcome.subject)}")
        said[at, outcome.subject] = outcome.word
    if said.get((None, None)) is Word.PASS and Word.FAIL in said.values():
        raise ContractBroken("its judge says pass of the device as a whole, and fail of a part of it")


def _called(endpoint: Endpoint | None, subject: str | None) -> str:
    place = f"{endpoint.port}/{endpoint.transport}" if endpoint else "the device as a whole"
    return f"{place}, {clip(subject)}" if subject else place


def _hold_outcome(check: Check[Any], outcome: object) -> None:
    if not isinstance(outcome, Outcome):
        raise ContractBroken(f"its judge said {clip(outcome)}, expected an Outcome")
    types = tuple(map(type, _said(outcome)))
    if types not in _HELD:
        for name, kinds in _SAYS.items():
            value = getattr(outcome, name)
            if not isinstance(value, kinds):
                wanted = " or ".join("None" if kind is type(None) else kind.__name__ for kind in kinds)
                raise ContractBroken(f"the {name} of an outcome is {clip(value)}, expected {wanted}")
        _HELD.add(types)
    if not isinstance(outcome.observed.text, str) or not isinstance(outcome.expected.text, str):
        raise ContractBroken("what was observed or expected is no text")
    if not all(isinstance(proof, str) for proof in outcome.proof):
        raise ContractBroken(
            f"the proof of an outcome is {clip(outcome.proof)}, expected ids of observations"
        )
    if outcome.vector is not None and outcome.vector not in check.vectors:
        raise ContractBroken(
            f"an outcome names the vector {clip(outcome.vector)}, which the check does not have"
        )
    if outcome.word is Word.FAIL and outcome.reason is not None:
        raise ContractBroken("an outcome fails and gives a reason why it is not determined")
