"""Why a verdict changed, from what both reviews hold: what was seen, what was expected, by which rules and which check."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from hardenprobe.comparison.records import Cause, Why
from hardenprobe.model import Device, Result

VARY: Mapping[str, frozenset[str]] = {
    "tcp-port": frozenset({"tries"}),
    "http-answer": frozenset({"date", "body_length", "body_sha256"}),
    "snmp-engine": frozenset({"boots", "time"}),
    "snmp-objects": frozenset({"date", "printing"}),
    "tls-port": frozenset({"connections"}),
    "tls-suites": frozenset({"connections"}),
    "tls-flaws": frozenset({"connections"}),
    "tls-second-opinion": frozenset({"connections"}),
}
"""Kind of observation to those of its facts that differ each time, though nothing was changed."""

NOTHING = (
    "neither what was seen of the device nor what it was judged by differs in what is stored: time has passed, or another "
    "device that it is compared with changed"
)

_OF_PEOPLE = frozenset({"statement-made"})
_OF_INVENTORY = frozenset({"declared-allow-list", "declared-device", "not-listed", "not-met"})


@dataclass(frozen=True, kw_only=True)
class VerdictBasis:
    """What stands behind some results of one check of one device in one review.

    Attributes:
        results: Entries of the review's document; empty where the check said nothing.
        proof: Of `seen`, what proves them.
        seen: Every observation of the device, alike.
        version: The check's version and where it came from.
    """

    device: Device
    results: Sequence[Mapping[str, Any]]
    proof: Sequence[Mapping[str, Any]]
    seen: Sequence[Mapping[str, Any]]
    version: tuple[str, str] | None


def behind(
    device: Device, results: Sequence[Mapping[str, Any]], seen: Sequence[Mapping[str, Any]]
) -> VerdictBasis:
    """Gather what stands behind some results of one check."""
    named = {id for result in results for id in result["observations"]}
    versions = {(result["check_version"], result["origin"]) for result in results}
    return VerdictBasis(
        device=device,
        results=results,
        proof=[entry for entry in seen if entry["id"] in named],
        seen=seen,
        version=min(versions, default=None),
    )


def causes(before: VerdictBasis, after: VerdictBasis) -> tuple[Cause, ...]:
    """Say why a verdict changed; the main cause first.

    What was seen and what was expected are compared, never what time it was: where neither differs, only time has passed.
    """
    seen, rules = list(_facts(before, after)), list(_rules(before, after))
    expects, otherwise = _baselines(before, after)
    found = [*rules, *expects, *seen, *(() if seen else otherwise)]
    if not found:
        found = [Cause(why=Why.UNEXPLAINED, text=NOTHING)]
    return tuple(dict.fromkeys(found))


def _rules(before: VerdictBasis, after: VerdictBasis) -> Iterator[Cause]:
    """What it was judged by."""
    if before.version and after.version and before.version != after.version:
        (old, old_origin), (new, new_origin) = before.version, after.version
        text = f"version {old} of {old_origin} judged before, version {new} of {new_origin} now"
        yield Cause(why=Why.CHECK, text=text)
    old_rules, new_rules = _rule_set(before), _rule_set(after)
    if old_rules and new_rules and old_rules != new_rules:
        yield Cause(why=Why.RULES, text=f"{old_rules} before, {new_rules} now")


def _baselines(before: VerdictBasis, after: VerdictBasis) -> tuple[list[Cause], list[Cause]]:
    """What another baseline expects of this, and that there is another one that says the same of it."""
    old_base, new_base = before.device.baseline, after.device.baseline
    if not old_base or not new_base or old_base.hash == new_base.hash:
        return [], []
    text = f"{old_base.name} before, {new_base.name} now"
    if old_base.name == new_base.name:
        text = f"{new_base.name} says something else now"
    old, new = _said(before, "expected"), _said(after, "expected")
    if not old or not new or old == new:
        return [], [Cause(why=Why.BASELINE, text=text)]
    text += f"; expected before: {'; '.join(sorted(old))}; now: {'; '.join(sorted(new))}"
    return [Cause(why=Why.BASELINE, text=text)], []


def _facts(before: VerdictBasis, after: VerdictBasis) -> Iterator[Cause]:
    """What was seen: a fact that proves one verdict and is not among all that the other review saw at that place."""
    differing = _steady(before.proof) - _steady(after.seen) | _steady(after.proof) - _steady(before.seen)
    kinds = {kind for kind, _, _ in differing}
    if kinds & _OF_PEOPLE:
        yield Cause(why=Why.STATEMENT, text="people answer otherwise for it, or no longer do")
    if kinds & _OF_INVENTORY:
        yield Cause(
            why=Why.INVENTORY, text="what the inventory declares of the device, or how it was met, differs"
        )
    said_before, said_now = _said(before, "observed"), _said(after, "observed")
    unproved = not before.proof and not after.proof
    if kinds - _OF_PEOPLE - _OF_INVENTORY or (unproved and said_before != said_now):
        text = f"seen before: {'; '.join(sorted(said_before)) or 'nothing'}; now: {'; '.join(sorted(said_now)) or 'nothing'}"
        yield Cause(why=Why.DEVICE, text=text)


def _steady(entries: Sequence[Mapping[str, Any]]) -> set[tuple[str, str, str]]:
    """Kind, place and facts, without what differs each time and without the address."""
    made = set()
    for entry in entries:
        kind, where = entry["kind"], entry["endpoint"]
        place = f"{where['transport']} {where['port']}" if where else ""
        vary = VARY.get(kind, frozenset())
        facts = {key: value for key, value in entry["facts"].items() if key not in vary}
        made.add((kind, place, json.dumps(facts, sort_keys=True)))
    return made


def _said(side: VerdictBasis, which: str) -> set[str]:
    return {result[which]["text"] for result in side.results}


def _rule_set(side: VerdictBasis) -> str:
    named = {f"{r['rule_set']['name']} of {r['rule_set']['date']}" for r in side.results if r["rule_set"]}
    return ", ".join(sorted(named))


def exceptions(before: Result, after: Result) -> tuple[Cause, ...]:
    """Whether an exception began, ended or lapsed between two sightings."""
    if after.exception and not before.exception:
        text = f"{after.exception.id} accepts it until {after.exception.until}"
        return (Cause(why=Why.EXCEPTION_BEGAN, text=text),)
    if before.exception and not after.exception:
        if after.lapsed and after.lapsed.id == before.exception.id:
            ended = after.lapsed.why.startswith(("expired", "ended"))
            why = Why.EXCEPTION_ENDED if ended else Why.EXCEPTION_LAPSED
            return (Cause(why=why, text=f"{after.lapsed.id}: {after.lapsed.why}"),)
        text = f"{before.exception.id} accepted it before and does not any more"
        return (Cause(why=Why.EXCEPTION_ENDED, text=text),)
    return ()
