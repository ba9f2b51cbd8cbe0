"""Makes reviews: one from a scan, one from the stored observations of another; and says how a command should end."""

from __future__ import annotations

import platform
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from hardenprobe import __version__, clock, guard, identity, priorities, store
from hardenprobe.baseline import Baseline
from hardenprobe.capture import Capture
from hardenprobe.credentials import Secrets
from hardenprobe.engine import Scan
from hardenprobe.identity import Visit
from hardenprobe.inventory import Inventory
from hardenprobe.judge import Case, judge, notes
from hardenprobe.plan import Plan
from hardenprobe.probes.certificates import TrustAnchors
from hardenprobe.records import (
    NOT_PLANNED,
    Clock,
    Cost,
    Coverage,
    Head,
    Named,
    Remedy,
    Review,
    Word,
)
from hardenprobe.registry import Registry
from hardenprobe.scope import operator
from hardenprobe.transcript import utc_now

FINDING, INCOMPLETE, CLEAN = 1, 3, 0


@dataclass(frozen=True, kw_only=True)
class Progress:
    """How far a scan is.

    Attributes:
        done, planned: Addresses.
        answered: Addresses where a device answered.
        findings: Findings so far; comparing devices may still bring more.
    """

    done: int
    planned: int
    answered: int
    findings: int


@dataclass(frozen=True, kw_only=True)
class Order:
    """Everything that a scan needs."""

    plan: Plan
    baseline: Baseline
    registry: Registry
    inventory: Inventory = field(default_factory=Inventory)
    anchors: TrustAnchors = field(default_factory=TrustAnchors)
    secrets: Secrets = field(default_factory=Secrets)
    capture: Capture | None = None


async def scan(order: Order, told: Callable[[Progress], None] | None = None) -> Review:
    """Scan and judge, the whole process held to the scope.

    Args:
        told: Called after each visit.

    Raises:
        ScopeRefused: The plan leaves the scope; nothing was sent.
    """
    with guard.watching():
        return await _scan(order, told)


async def _scan(order: Order, told: Callable[[Progress], None] | None) -> Review:
    plan = order.plan
    started = utc_now()
    ends = [str(end) for t in plan.targets for end in (t.first, t.last)]
    proof = clock.prove(plan.scope, ends)
    wanted = _wanted(order)
    running = Scan(
        plan=plan,
        inventory=order.inventory,
        wanted=wanted,
        anchors=order.anchors,
        secrets=order.secrets,
        capture=order.capture,
    )
    visits: list[Visit] = []
    answered = findings = 0
    async for visit in running.visits():
        visits.append(visit)
        if told:
            answered += visit.outcome == "answered"
            findings += _findings(visit, order, proof)
            planned = plan.count * len(plan.vantages)
            told(Progress(done=len(visits), planned=planned, answered=answered, findings=findings))
    coverage = Coverage(
        planned=plan.count,
        excluded=plan.scope.exclude.cover(),
        tcp_ports=plan.tcp_ports,
        udp_ports=plan.udp_ports,
    )
    fleet = identity.settle(visits, order.inventory, plan.names, coverage)
    head = Head(
        id=store.new_id(),
        started=started,
        finished=utc_now(),
        operator=operator(),
        scope=plan.scope.name,
        reach=plan.reach,
        plan_hash=plan.hash,
        port_offset=plan.port_offset,
        selected=tuple(sorted(plan.checks)),
        interrupted=running.interrupted,
        clock=proof,
        versions=versions(order.baseline),
        cost=sum((v.cost for v in visits), Cost()),
        capture=order.capture.finish() if order.capture else None,
    )
    notices = []
    if running.why_interrupted:
        notices.append(f"stopped early: {running.why_interrupted}")
    notices += order.capture.notices if order.capture else ()
    notices += [str(broken) for broken in order.registry.broken]
    empty = Review(
        head=head,
        coverage=fleet.coverage,
        vantages=plan.vantages,
        devices=fleet.devices,
        results=(),
        observations=fleet.observations,
        notices=tuple(notices),
    )
    return judged(empty, order.baseline, order.registry)


def judged(review: Review, baseline: Baseline, registry: Registry) -> Review:
    """Judge a review's observations; touches no network and leaves the given review as it was."""
    named = Named(name=baseline.name, hash=baseline.hash)
    devices = tuple(replace(d, baseline=named) for d in review.devices)
    case = Case(
        devices=devices,
        observations=review.observations,
        vantages=review.vantages,
        clock=review.head.clock,
        reach=review.head.reach,
        selected=frozenset(review.head.selected),
    )
    # A check is somebody's code, and has no business on the network.
    with guard.watching():
        results = judge(case, baseline, registry)
        refused = [f"{what} was refused" for what in guard.refusals]
    return replace(
        review,
        notices=tuple(dict.fromkeys((*review.notices, *refused))),
        devices=devices,
        results=results,
        checks=notes(registry),
        what_first=priorities.rank(results, remedies(registry)),
    )


def again(review: Review, baseline: Baseline, registry: Registry) -> Review:
    """Judge a stored review anew, as a review of its own. The original stays.

    Checks that did not exist when it was scanned are judged as well: they say unknown where nobody asked.
    """
    known = {note.id for note in review.checks}
    fresh = {c for c in registry.checks if c not in known}
    head = replace(
        review.head,
        id=store.new_id(),
        judged_from=review.head.judged_from or review.head.id,
        previous=None,
        previous_digest=None,
        selected=tuple(sorted({*review.head.selected, *fresh} & set(registry.checks))),
        versions=versions(baseline),
    )
    return judged(replace(review, head=head), baseline, registry)


def remedies(registry: Registry) -> dict[str, Remedy]:
    """Every remedy that the checks at hand name, by id."""
    return {check.remedy.id: check.remedy for check in registry.checks.values()}


def exit_status(
    review: Review, must_determine: Iterable[str] = (), expected_missing: Iterable[str] = ()
) -> int:
    """How the command that made a review should end: 3 incomplete, 1 a finding stands, 0 otherwise.

    Args:
        must_determine: Checks that may not stay unknown.
        expected_missing: Asset tags of listed devices that are known to be off.
    """
    if incomplete(review, must_determine, expected_missing):
        return INCOMPLETE
    return FINDING if any(r.stands for r in review.results) else CLEAN


def incomplete(
    review: Review, must_determine: Iterable[str] = (), expected_missing: Iterable[str] = ()
) -> list[str]:
    """Why a review cannot speak for all that was asked; empty where it can."""
    reasons = []
    if review.head.interrupted or review.coverage.unfinished:
        reasons.append("the scan was stopped before it was done")
    if not review.coverage.answered:
        reasons.append("no device answered")
    known = set(expected_missing)
    asked = [m for m in review.coverage.listed_not_seen if m.why != NOT_PLANNED]
    missed = [m.asset_tag for m in asked if m.asset_tag not in known]
    if missed:
        reasons.append(
            f"{_count(len(missed), 'listed device was', 'listed devices were')} not seen: {_some(missed)}"
        )
    broken = {r.device for r in review.results if r.result is Word.ERROR}
    if broken:
        reasons.append(f"{_count(len(broken), 'device has', 'devices have')} results in error")
    must = set(must_determine)
    open_checks = {r.check for r in review.results if r.result is Word.UNKNOWN and r.check in must}
    if open_checks:
        reasons.append(f"the baseline wants these determined and they were not: {_some(sorted(open_checks))}")
    return reasons


def versions(baseline: Baseline) -> dict[str, str]:
    """Versions of everything that a verdict rests on."""
    found = {"hardenprobe": __version__, "python": platform.python_version(), "baseline": baseline.name}
    for package in ("cryptography", "httpx", "pysnmp", "scapy", "sslyze"):
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            found[package] = "absent"
    return found


def _findings(visit: Visit, order: Order, proof: Clock) -> int:
    """How many findings one visit shows by itself."""
    fleet = identity.settle([visit], order.inventory, order.plan.names, Coverage())
    case = Case(
        devices=fleet.devices,
        observations=fleet.observations,
        vantages=[v for v in order.plan.vantages if v.name == visit.vantage],
        clock=proof,
        reach=order.plan.reach,
        selected=order.plan.checks,
    )
    return sum(r.result is Word.FAIL for r in judge(case, order.baseline, order.registry))


def _wanted(order: Order) -> frozenset[type[Any]]:
    """The kinds of facts that the selected checks read."""
    chosen = [c for c in order.registry.checks.values() if c.id in order.plan.checks]
    return frozenset(facts for check in chosen for facts in check.reads)


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _some(names: list[str], most: int = 5) -> str:
    rest = len(names) - most
    return ", ".join(names[:most]) + (f" and {rest} more" if rest > 0 else "")
