"""Why a verdict changed, from what both reviews hold: what was seen, what was expected, by which rules and which check."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from hardenprobe.comparison.finding_state import OF_PEOPLE, steady
from hardenprobe.comparison.records import Cause, Why
from hardenprobe.model import Device, Result
from hardenprobe.standards.device_time import StatedTime, date_and_time, http_date

NOTHING = (
    "neither what was seen of the device nor what it was judged by differs in what is stored: time has passed, or another "
    "device that it is compared with changed"
)

_OF_INVENTORY = frozenset({"declared-allow-list", "declared-device", "not-listed", "not-met"})


@dataclass(frozen=True, kw_only=True)
class VerdictBasis:
    """The grounds of some results of one check of one device in one review.

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
    """Gather the grounds of some results of one check."""
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
    found = found or list(_clock(before, after)) or [Cause(why=Why.UNEXPLAINED, text=NOTHING)]
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
    differing = steady(before.proof) - steady(after.seen) | steady(after.proof) - steady(before.seen)
    kinds = {kind for kind, _, _ in differing}
    if OF_PEOPLE in kinds:
        yield Cause(why=Why.STATEMENT, text="people answer otherwise for it, or no longer do")
    if kinds & _OF_INVENTORY:
        yield Cause(
            why=Why.INVENTORY, text="what the inventory declares of the device, or how it was met, differs"
        )
    said_before, said_now = _said(before, "observed"), _said(after, "observed")
    unproved = not before.proof and not after.proof
    if kinds - {OF_PEOPLE} - _OF_INVENTORY or (unproved and said_before != said_now):
        text = f"seen before: {'; '.join(sorted(said_before)) or 'nothing'}; now: {'; '.join(sorted(said_now)) or 'nothing'}"
        yield Cause(why=Why.DEVICE, text=text)


def _clock(before: VerdictBasis, after: VerdictBasis) -> Iterator[Cause]:
    """What the device's clock says of the time at which it was asked: another difference is the device's doing."""
    old, new = (
        {
            round((dated - datetime.fromisoformat(entry["asked_at"])).total_seconds() / 60)
            for entry in side.proof
            if (dated := _date(entry))
        }
        for side in (before, after)
    )
    if old and new and old.isdisjoint(new):
        text = f"its clock was set: {'; '.join(sorted(_said(before, 'observed')))} before; now: "
        yield Cause(why=Why.DEVICE, text=text + "; ".join(sorted(_said(after, "observed"))))


def _date(entry: Mapping[str, Any]) -> datetime | None:
    """The time that an answer states; None where it states none, or no zone."""
    stated = entry["facts"].get("date")
    if not stated:
        return None
    told = http_date(stated) if entry["kind"] == "http-answer" else _hex_date(stated)
    return told.when if told and told.zoned else None


def _hex_date(stated: str) -> StatedTime | None:
    try:
        return date_and_time(bytes.fromhex(stated))
    except ValueError:
        return None


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
