"""Run a scan: from a job to what was observed. Nothing is judged here."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
import sys
import time
from collections.abc import AsyncIterator, Callable, Coroutine, Iterable, Iterator
from datetime import timedelta
from typing import Any

from hardenprobe.devices import identity
from hardenprobe.devices.visit_notes import VisitNote, VisitNotes
from hardenprobe.errors import StoreRefused
from hardenprobe.model import Clock, Cost, Coverage, Head
from hardenprobe.model.observed import Observed
from hardenprobe.model.review import new_id
from hardenprobe.model.transcript import utc_now
from hardenprobe.model.versions import versions
from hardenprobe.model.visit import SilentAddresses, Visit
from hardenprobe.network import audit_hook, ntp
from hardenprobe.planning import vantage
from hardenprobe.scanning import inputs, unanswered
from hardenprobe.scanning.engine import Scan
from hardenprobe.scanning.job import Keeper, Progress, ScanJob, Scanning
from hardenprobe.scope import clock
from hardenprobe.scope.accounts import operator
from hardenprobe.scope.scope import Scope

STEP = timedelta(minutes=1)  # what a time server corrects by and by is less
SWEEP_KEPT = 1.0  # seconds between two times that the sweep's progress is kept


async def run(
    job: ScanJob, keeper: Keeper | None = None, on_progress: Callable[[Progress], None] | None = None
) -> Observed:
    """Scan, the whole process held to the scope where it asks itself.

    Args:
        keeper: Keeps each visit as it is finished, and knows what an interrupted scan has seen already.
        on_progress: Called after each visit, and now and then while addresses are swept.

    Raises:
        ScopeRefused: The plan leaves the scope; nothing was sent.
    """
    # Where others ask, this process has connections of its own to them.
    with audit_hook.watching() if job.elsewhere is None else contextlib.nullcontext():
        return await _run(job, keeper, on_progress)


async def _run(
    job: ScanJob, keeper: Keeper | None, on_progress: Callable[[Progress], None] | None
) -> Observed:
    plan, clocks = job.plan, _clocks()
    used = inputs.of_job(job)
    if keeper:
        keeper.keep_inputs(used)
    earlier = keeper.earlier if keeper else None
    now, code = utc_now(), versions()  # read while files can be opened
    started = earlier.begun.started if earlier else now
    ends = [str(end) for t in plan.targets for end in (t.first, t.last)]
    proof = await _measured(plan.scope, clock.prove(plan.scope, ends), plan.port_offset)
    visits = keeper.visits if keeper else VisitNotes()
    for visit in earlier.visits if earlier else ():
        visits.add(visit)
    resumed = list(_resumed(started, now, visits)) if earlier else []
    running: Scanning = (job.elsewhere or Scan)(
        plan=plan,
        inventory=job.inventory,
        wanted=job.wanted,
        anchors=job.anchors,
        secrets=job.secrets,
        plugged=job.probes,
        seed=keeper.begun.seed if keeper else secrets.randbits(32),
        done=frozenset((v.visit.address, v.visit.vantage) for v in visits),
        others=_others(visits),
        quiet=earlier.quiet if earlier else SilentAddresses(),
        cost=earlier.sweep if earlier else Cost(),
        capture=job.capture,
    )
    answered = observations = 0

    def report() -> None:
        if on_progress:
            done = len(visits) + sum(running.quiet.count(v.name) for v in plan.vantages)
            planned = plan.visits
            on_progress(Progress(done=done, planned=planned, answered=answered, observations=observations))

    async with _beside(_swept(running, keeper, report)):
        async for visit in running.visits():
            visits.add(visit)
            await _keep(running, keeper, [visit])
            answered += visit.outcome == "answered"
            observations += len(visit.observations)
            report()
    await _keep(running, keeper, [])
    # Not in the order in which they ended, which a resumed scan and one of several workers do not repeat.
    order = [point.name for point in plan.vantages]
    visits.sort(lambda visit: (order.index(visit.vantage), identity.ip_key(visit.address)))
    quiet: dict[tuple[str, ...], int] = {}  # nobody was there, by what is asked together
    for point in plan.vantages:
        together = (*point.families, *point.networks)
        quiet[together] = max(quiet.get(together, 0), running.quiet.count(point.name))
    coverage = Coverage(
        planned=plan.count,
        visited=sum(quiet.values()),
        excluded=plan.scope.exclude.cover(),
        tcp_ports=plan.tcp_ports,
        udp_ports=plan.udp_ports,
        targets=tuple(dict.fromkeys(f"{t.first}-{t.last}" for t in plan.targets)),
    )
    fleet = identity.settle(
        visits,
        job.inventory,
        plan.names,
        coverage,
        known=job.again.known if job.again else None,
        planned=plan.wanted,
        vantages=plan.vantages,
        past=keeper.known_devices() if keeper and not job.again else (),
    )
    head = Head(
        id=keeper.begun.id if keeper and not earlier else new_id(),
        started=started,
        finished=max(started, utc_now()),  # a clock that was set back must not end a scan before it began
        operator=operator(),
        stated_operator=job.operator,
        scope=plan.scope.name,
        reach=plan.reach,
        plan_hash=plan.hash,
        authorisation=plan.authorisation,
        seed=running.seed,
        resumed_from=earlier.begun.id if earlier else None,
        port_offset=plan.port_offset,
        selected=tuple(sorted(plan.checks)),
        rechecks=job.again.review if job.again else None,
        rechecked=job.again.findings if job.again else (),
        interrupted=running.interrupted,
        narrowed=job.narrowed,
        clock=proof,
        versions=code,
        cost=sum((v.visit.cost for v in visits), running.cost),
        capture=job.capture.finish() if job.capture else None,
        inputs=tuple(one.used for one in used),
    )
    notices = resumed
    if running.why_interrupted:
        notices.append(f"stopped early: {running.why_interrupted}")
    if job.narrowed:
        notices.append(
            f"a narrow review ({', '.join(job.narrowed)}): what it does not name may be open, so it is left out of trends"
        )
    notices += _stepped(clocks)
    notices += fleet.notices
    notices += running.notices
    notices += job.capture.notices if job.capture else ()
    if job.elsewhere is None:
        notices += unanswered.notices(
            plan.targets, (v.visit.address for v in visits if v.visit.outcome == "answered")
        )
    notices += dict.fromkeys(note.visit.eased for note in visits if note.visit.eased)
    notices += _crashes(visits)
    notices += vantage.notices(plan.vantages, plan.targets)
    notices += audit_hook.tried()
    notices += job.notices
    return Observed(
        head=head,
        coverage=fleet.coverage,
        vantages=vantage.used(plan.vantages, (note.visit for note in visits), plan.scope),
        rows=fleet,
        texts=visits.texts,
        notices=tuple(notices),
    )


def _resumed(started: str, now: str, visits: Iterable[VisitNote]) -> Iterator[str]:
    """Say on which days a scan looked, where it went on at another one."""
    if now[:10] != started[:10]:
        met = len({note.visit.address for note in visits if note.visit.outcome == "answered"})
        yield (
            f"begun on {started[:16].replace('T', ' ')} UTC and resumed on {now[:16].replace('T', ' ')} UTC; assessed before "
            f"that: {met} of the devices, which may have changed since"
        )


def _others(visits: Iterable[VisitNote]) -> dict[str, str]:
    """What devices told of before a scan was interrupted."""
    told = ((v.visit.address, facts) for v in visits for facts in v.others)
    return {facts.address: address for address, facts in told if facts.left_out is None}


def _crashes(visits: Iterable[VisitNote]) -> Iterator[str]:
    """Each crash of a probe once, with its place and where its traceback is."""
    places: dict[tuple[str, str], list[str]] = {}
    for note in visits:
        for probe, text, where in note.crashes:
            places.setdefault((probe, text), []).append(where)
    log = log_file()
    see = f"; see {log}" if log else ""
    for (probe, text), crashed in places.items():
        more = f" and {len(crashed) - 1} more" if len(crashed) > 1 else ""
        yield f"probe {probe} crashed at {crashed[0]}{more}: {text}{see}"


def log_file() -> str | None:
    """Where the tracebacks of broken probes and checks go; None where they go to no file."""
    handlers = logging.getLogger("hardenprobe").handlers
    return next((str(file) for one in handlers if (file := getattr(one, "baseFilename", None))), None)


async def _measured(scope: Scope, proof: Clock, port_offset: int) -> Clock:
    """Measure our clock against the time server that the scope file names, if it names one."""
    if not scope.clock_reference:
        return proof
    scope.check_now()
    offset = await ntp.offset(scope.clock_reference, ntp.PORT + port_offset)
    return clock.measured(proof, scope.clock_reference, offset)


async def _keep(running: Scanning, keeper: Keeper | None, visits: Iterable[Visit]) -> None:
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


async def _swept(running: Scanning, keeper: Keeper | None, report: Callable[[], None]) -> None:
    """Keep and report how far the sweep is, which may find no device for minutes."""
    while True:
        await asyncio.sleep(SWEEP_KEPT)
        await _keep(running, keeper, [])
        report()


@contextlib.asynccontextmanager
async def _beside(work: Coroutine[Any, Any, None]) -> AsyncIterator[None]:
    """Do something beside a block, and end it with the block."""
    task = asyncio.create_task(work)
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def _clocks() -> tuple[float, float]:
    """Wall time, and time that no one can set; Linux counts what it sleeps through in a clock of its own (clock_gettime(2))."""
    return time.time(), time.clock_gettime(
        time.CLOCK_BOOTTIME
    ) if sys.platform == "linux" else time.monotonic()


def _stepped(before: tuple[float, float]) -> list[str]:
    """Say that the clock was set in the meantime; every time in the review is what it showed."""
    now = _clocks()
    step = timedelta(seconds=round(now[0] - before[0] - (now[1] - before[1])))
    if abs(step) < STEP:
        return []
    way = "forward" if step > timedelta() else "back"
    return [
        f"the clock of this machine was set {way} by {abs(step)} during the scan; times are those that it showed"
    ]
