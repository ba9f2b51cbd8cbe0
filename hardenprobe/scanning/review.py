"""Makes reviews: one from a scan, one from the stored observations of another; and says how a command should end."""

from __future__ import annotations

import asyncio
import contextlib
import platform
import secrets
from collections.abc import AsyncIterator, Callable, Coroutine, Iterable
from dataclasses import dataclass, field, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hardenprobe import __version__
from hardenprobe.baseline.selection import NOT_MEANT, Expected
from hardenprobe.decisions.device_register import SEEN_AGAIN, STILL_LISTED
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.devices import identity
from hardenprobe.devices.credentials import Secrets
from hardenprobe.devices.identity import Visit
from hardenprobe.devices.inventory import Inventory
from hardenprobe.errors import StoreRefused
from hardenprobe.judging.counts import Tally
from hardenprobe.judging.judgement import Judgement
from hardenprobe.judging.run_checks import Case, judge
from hardenprobe.model import NOT_PLANNED, Clock, Cost, Coverage, Head, Review, Word, checks_of
from hardenprobe.model.document import facts_kinds
from hardenprobe.model.transcript import utc_now
from hardenprobe.network import audit_hook
from hardenprobe.planning import vantage
from hardenprobe.planning.plan import Plan
from hardenprobe.planning.recheck_plan import Again
from hardenprobe.plugins.registry import Registry
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.scanning.engine import Scan
from hardenprobe.scope import clock
from hardenprobe.scope.scope import operator
from hardenprobe.store import store
from hardenprobe.store.journal import SilentAddresses
from hardenprobe.store.persistence import Keeper

if TYPE_CHECKING:
    from hardenprobe.network.capture.capture import Capture

FINDING, INCOMPLETE, CLEAN = 1, 3, 0
SWEEP_KEPT = 1.0  # seconds between two times that the sweep's progress is kept


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
class ScanOrder:
    """Everything that a scan needs.

    Attributes:
        again: The findings of an earlier review that are asked about again; None for a scan.
        capture_to: The file for its packets, None where they are not captured.
        capture: Runs already when the scan begins, so that a process that may not capture has sent nothing; see
            request.captured.
    """

    plan: Plan
    baseline: Expected
    registry: Registry
    inventory: Inventory = field(default_factory=Inventory)
    anchors: TrustAnchors = field(default_factory=TrustAnchors)
    secrets: Secrets = field(default_factory=Secrets)
    decisions: Decisions = field(default_factory=Decisions)
    again: Again | None = None
    capture_to: Path | None = None
    capture: Capture | None = None


async def scan(
    order: ScanOrder, told: Callable[[Progress], None] | None = None, keeper: Keeper | None = None
) -> Review:
    """Scan and judge, the whole process held to the scope.

    Args:
        told: Called after each visit, and now and then while addresses are swept.
        keeper: Keeps each visit as it is finished, and knows what an interrupted scan has seen already.

    Raises:
        ScopeRefused: The plan leaves the scope; nothing was sent.
    """
    with audit_hook.watching():
        return await _scan(order, told, keeper)


async def _scan(order: ScanOrder, told: Callable[[Progress], None] | None, keeper: Keeper | None) -> Review:
    plan = order.plan
    earlier = keeper.earlier if keeper else None
    started = earlier.begun.started if earlier else utc_now()
    ends = [str(end) for t in plan.targets for end in (t.first, t.last)]
    proof = clock.prove(plan.scope, ends)
    visits: list[Visit] = list(earlier.visits) if earlier else []
    running = Scan(
        plan=plan,
        inventory=order.inventory,
        wanted=_wanted(order),
        anchors=order.anchors,
        secrets=order.secrets,
        plugged=order.registry.probes,
        seed=keeper.begun.seed if keeper else secrets.randbits(32),
        done=frozenset((v.address, v.vantage) for v in visits),
        quiet=earlier.quiet if earlier else SilentAddresses(),
        cost=earlier.sweep if earlier else Cost(),
        capture=order.capture,
    )
    answered = findings = 0

    def tell() -> None:
        if told:
            done = len(visits) + sum(running.quiet.count(v.name) for v in plan.vantages)
            planned = plan.count * len(plan.vantages)
            told(Progress(done=done, planned=planned, answered=answered, findings=findings))

    async with _beside(_swept(running, keeper, tell)):
        async for visit in running.visits():
            visits.append(visit)
            await _keep(running, keeper, [visit])
            if told:
                answered += visit.outcome == "answered"
                findings += _findings(visit, order, proof)
                tell()
    await _keep(running, keeper, [])
    quiet = max((running.quiet.count(v.name) for v in plan.vantages), default=0)
    coverage = Coverage(
        planned=plan.count,
        visited=quiet,
        excluded=plan.scope.exclude.cover(),
        tcp_ports=plan.tcp_ports,
        udp_ports=plan.udp_ports,
    )
    known = order.again.known if order.again else None
    fleet = identity.settle(visits, order.inventory, plan.names, coverage, known)
    head = Head(
        id=keeper.begun.id if keeper and not earlier else store.new_id(),
        started=started,
        finished=utc_now(),
        operator=operator(),
        scope=plan.scope.name,
        reach=plan.reach,
        plan_hash=plan.hash,
        authorisation=plan.authorisation,
        seed=running.seed,
        resumed_from=earlier.begun.id if earlier else None,
        port_offset=plan.port_offset,
        selected=tuple(sorted(plan.checks)),
        rechecks=order.again.review if order.again else None,
        rechecked=order.again.findings if order.again else (),
        interrupted=running.interrupted,
        clock=proof,
        versions=versions(),
        cost=sum((v.cost for v in visits), running.cost),
        capture=order.capture.finish() if order.capture else None,
    )
    notices = []
    if running.why_interrupted:
        notices.append(f"stopped early: {running.why_interrupted}")
    notices += order.capture.notices if order.capture else ()
    notices += dict.fromkeys(visit.eased for visit in visits if visit.eased)
    notices += vantage.notices(plan.vantages, plan.targets)
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
    return judged(empty, order.baseline, order.registry, order.decisions)


async def _keep(running: Scan, keeper: Keeper | None, visits: Iterable[Visit]) -> None:
    """Hand over what was finished; a store that fails stops the scan."""
    if keeper is None:
        return
    well = keeper.failed is None
    try:
        await keeper.keep(visits, running.quiet.take_changed(), running.cost)
    except StoreRefused as exc:
        keeper.failed = str(exc)
    if well and keeper.failed:
        running.stop(keeper.failed)


async def _swept(running: Scan, keeper: Keeper | None, tell: Callable[[], None]) -> None:
    """Keep and tell how far the sweep is, which finds nobody for minutes on end."""
    while True:
        await asyncio.sleep(SWEEP_KEPT)
        await _keep(running, keeper, [])
        tell()


@contextlib.asynccontextmanager
async def _beside(work: Coroutine[Any, Any, None]) -> AsyncIterator[None]:
    """Do something beside a block, and end it with the block."""
    task = asyncio.create_task(work)
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def judged(
    review: Review, expected: Expected, registry: Registry, decisions: Decisions | None = None
) -> Review:
    """Judge a review's observations; touches no network and leaves the given review as it was.

    Args:
        expected: A choice of baselines, or one baseline for every device.
        decisions: What people decided and declared. None leaves what people stated as the review has it, and no
            exception runs.
    """
    judgement = Judgement(review, expected, registry, decisions)
    devices, observations, results = judgement.part(review.devices, review.observations)
    return replace(judgement.outline(), devices=devices, observations=observations, results=results)


def again(
    review: Review, expected: Expected, registry: Registry, decisions: Decisions | None = None
) -> Review:
    """Judge a review anew, as a review of its own; one that is stored is judged by store/rejudge.py, and never held whole."""
    return judged(renewed(review, registry), expected, registry, decisions)


def renewed(review: Review, registry: Registry) -> Review:
    """A review to be judged anew, under a name of its own.

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
        versions=versions(),
    )
    # What was said of the baselines that judged it before, and of the ledger as it was, is said no more.
    over = (NOT_MEANT, SEEN_AGAIN, STILL_LISTED)
    notices = tuple(n for n in review.notices if not any(words in n for words in over))
    return replace(review, head=head, notices=notices)


def exit_status(
    review: Review,
    expected: Expected | None = None,
    expected_missing: Iterable[str] = (),
    tally: Tally | None = None,
) -> int:
    """How the command that made a review should end: 3 incomplete, 1 a finding stands, 0 otherwise.

    Args:
        expected: Says for each device which checks may not stay unknown.
        expected_missing: Asset tags of listed devices that are known to be off.
        tally: The counts, where the review is given without its results.
    """
    tally = tally or _tally(review, expected)
    if incomplete(review, expected, expected_missing, tally):
        return INCOMPLETE
    return FINDING if tally.standing.total() else CLEAN


def incomplete(
    review: Review,
    expected: Expected | None = None,
    expected_missing: Iterable[str] = (),
    tally: Tally | None = None,
) -> list[str]:
    """Why a review cannot speak for all that was asked; empty where it can. Arguments as for `exit_status`."""
    tally = tally or _tally(review, expected)
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
    if tally.broken:
        number = len(tally.broken)
        reasons.append(f"{_count(number, 'device has', 'devices have')} results in error")
    if tally.undetermined:
        names = _some(sorted(tally.undetermined))
        reasons.append(f"the baseline wants these determined and they were not: {names}")
    return reasons


def _tally(review: Review, expected: Expected | None) -> Tally:
    must = {d.id: expected.of(d).must_determine for d in review.devices} if expected else {}
    return Tally.of(review.results, (d.id for d in review.devices), must)


def versions() -> dict[str, str]:
    """Versions of the code that a verdict rests on."""
    found = {"hardenprobe": __version__, "python": platform.python_version()}
    for package in ("cryptography", "httpx", "pysnmp", "scapy", "sslyze"):
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            found[package] = "absent"
    return found


def _findings(visit: Visit, order: ScanOrder, proof: Clock) -> int:
    """How many findings one visit shows by itself."""
    fleet = identity.settle([visit], order.inventory, order.plan.names, Coverage())
    case = Case(
        devices=fleet.devices,
        observations=fleet.observations,
        vantages=[v for v in order.plan.vantages if v.name == visit.vantage],
        clock=proof,
        reach=order.plan.reach,
        selected=order.plan.checks,
        only=checks_of(order.again.findings) if order.again else None,
        granted=order.plan.scope.grants,
    )
    return sum(r.result is Word.FAIL for r in judge(case, order.baseline, order.registry))


def _wanted(order: ScanOrder) -> frozenset[type[Any]]:
    """The kinds of facts that the selected checks read, as far as the plan may go for each."""
    plan = order.plan
    chosen = [
        c
        for c in order.registry.checks.values()
        if c.id in plan.checks and (c.reach is None or plan.granted(c.id, c.reach))
    ]
    everywhere = frozenset(facts for check in chosen for facts in check.reads)
    # What a device is known again by is wanted whichever check reads it.
    shared = {kind for share in plan.shares.values() for kind in share.kinds}
    return everywhere | {facts for kind, facts in facts_kinds().items() if kind in shared}


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _some(names: list[str], most: int = 5) -> str:
    rest = len(names) - most
    return ", ".join(names[:most]) + (f" and {rest} more" if rest > 0 else "")
