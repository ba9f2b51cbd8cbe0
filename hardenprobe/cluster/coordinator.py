"""A scan whose shards are asked by the workers of a cluster.

Each shard goes to one worker, by name, and nobody but the coordinator decides that it is asked again. A shard whose worker
is lost or says nothing in time waits as long as one device may be visited, so that its limits hold whatever the worker still
does; then another worker of the same vantage point gets it. Where there is none, its addresses stay unfinished, with the
reason. What a worker says of a shard is taken once.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import secrets as randomness
import time
from collections import Counter, deque
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.cluster import connection
from hardenprobe.cluster.roster import WorkerThere, known
from hardenprobe.cluster.sealing import seal
from hardenprobe.cluster.shard import (
    ClusterJob,
    Portion,
    Shard,
    ShardReply,
    packed_anchors,
    read_reply,
)
from hardenprobe.devices.inventory import Listed, NetworkSegment
from hardenprobe.errors import HardenprobeError, ScopeRefused, UsageError, clip
from hardenprobe.facts import OtherAddress, ProbeFault
from hardenprobe.model import Cost, Reason, Vantage
from hardenprobe.model.transcript import observation, utc_now
from hardenprobe.model.visit import Visit
from hardenprobe.planning.visit_order import VisitOrder
from hardenprobe.scanning.other_addresses import MOST as MOST_OTHERS
from hardenprobe.scanning.stoppable_scan import StoppableScan

DEVICES, SWEPT = 3, 64  # addresses of a shard: expected devices, and addresses that are swept
AHEAD = 4  # shards that a worker has at a time: one device that takes its time holds nobody else up
MOST_TRIES = 3  # of a shard, each by a worker that was then lost
LOOK = 1.0  # seconds between two looks at who is there, at the hour and at the stop file
ENDING = 5.0  # seconds for the workers to be told that the scan has ended
_LOST = (
    "KilledWorker",
    "CommClosedError",
    "FutureCancelledError",
)  # errors of `distributed`, when a worker is gone


@dataclass(eq=False, kw_only=True)
class Seat:
    """A worker's part in the scan. Who stands in for a lost one takes its seat, and with it its portion of the limits.

    Attributes:
        gone: The worker is lost.
        over: When its last visit is over, by the monotonic clock.
        secret: It has the secrets.
    """

    vantage: str
    worker: WorkerThere
    portion: Portion
    gone: asyncio.Event = field(default_factory=asyncio.Event)
    over: float = 0.0
    secret: bool = False


@dataclass(eq=False, kw_only=True)
class Due:
    """A shard that is to be asked.

    Attributes:
        positions: Of the swept addresses, in the order of the whole sweep.
        devices: Who is busy while it is asked: asset tags, or addresses.
        secret: One of its devices may be sent a secret.
        not_before: By the monotonic clock.
        lost: Why it is asked again, for people.
    """

    shard: Shard
    positions: tuple[int, ...] = ()
    devices: frozenset[str] = frozenset()
    secret: bool = False
    tries: int = 0
    not_before: float = 0.0
    lost: str = ""


@dataclass(eq=False, kw_only=True)
class Front:
    """What is to be asked from one vantage point."""

    vantage: Vantage
    fresh: Iterator[Due]
    waiting: deque[Due] = field(default_factory=deque)
    running: int = 0
    taken: int = 0


@dataclass(eq=False, kw_only=True)
class ClusterScan(StoppableScan):
    """A scan whose plan the workers at `address` ask. It takes the arguments of engine.Scan.

    Attributes:
        address: Of the scheduler.
        certificates: The folder of our certificate.
    """

    address: str
    certificates: Path
    capture: None = None
    notices: list[str] = field(default_factory=list)
    _id: str = field(default_factory=lambda: randomness.token_hex(16))
    _changed: asyncio.Condition = field(default_factory=asyncio.Condition)
    _busy: set[str] = field(default_factory=set)
    _seats: list[Seat] = field(default_factory=list)
    _spare: list[WorkerThere] = field(default_factory=list)
    _fronts: dict[str, Front] = field(default_factory=dict)
    _lost: list[Visit] = field(default_factory=list)
    _answered: set[str] = field(default_factory=set)
    _spent: dict[str, dict[str, Cost]] = field(default_factory=dict)
    _numbers: Iterator[int] = field(default_factory=itertools.count)
    _client: Any = None
    _by_tag: dict[str, Listed] = field(init=False)

    def __post_init__(self) -> None:
        self._by_tag = {device.asset_tag: device for device in self.inventory.devices}

    async def visits(self) -> AsyncIterator[Visit]:
        """Visit every address of the plan from every vantage point; each visit is final when it arrives."""
        self._client = await connection.connect(self.address, self.certificates)
        looking = asyncio.create_task(self._look())
        try:
            with self._interruptible():
                await self._seat()
                async for visit in self._asked(self._planned):
                    yield visit
                async for visit in self._asked(self._besides):
                    yield visit
                for visit in self._lost:
                    yield self._explained(visit)
        finally:
            looking.cancel()
            await asyncio.gather(looking, return_exceptions=True)
            await self._leave()

    # Who is there

    async def _seat(self) -> None:
        """Share the limits among the workers that are there.

        Raises:
            UsageError: A vantage point has no worker.
        """
        there = known(await self._client.scheduler.identity())
        for one in there:
            connection.check_version(f"the worker at {one.address}", one.version)
        names = [vantage.name for vantage in self.plan.vantages]
        for name in names:
            if not any(one.vantage == name for one in there):
                here = ", ".join(sorted({one.vantage for one in there})) or "none"
                raise UsageError(
                    f"no worker of vantage point {clip(name)} is there ({here}); `hardenprobe vantage start --name {name}` runs one"
                )
        ours = [one for one in there if one.vantage in names]
        # At least one each: where more workers than places are there, the last ones stand by.
        by_name = {name: [one for one in ours if one.vantage == name] for name in names}
        order = [one for row in itertools.zip_longest(*by_name.values()) for one in row if one]
        most = max(len(names), self.plan.timing.devices_at_once)
        chosen, self._spare = order[:most], order[most:]
        each = Counter(one.vantage for one in chosen)
        for one in chosen:
            segments = {
                s.name: s.connections_per_second / sum(each[name] for name in s.vantages)
                for s in self.inventory.segments
                if s.connections_per_second is not None and one.vantage in s.vantages
            }
            portion = Portion(
                connections_per_second=self.plan.timing.connections_per_second / len(chosen),
                devices_at_once=max(1, self.plan.timing.devices_at_once // len(chosen)),
                segments=segments,
            )
            seat = Seat(vantage=one.vantage, worker=one, portion=portion)
            self._seats.append(seat)
            await self._brief(seat)

    async def _brief(self, seat: Seat) -> None:
        """Give a worker the job."""
        from hardenprobe.cluster.worker import take_job

        (vantage,) = (one for one in self.plan.vantages if one.name == seat.vantage)
        job = ClusterJob(
            id=self._id,
            plan=replace(self.plan, vantages=(vantage,), secrets=()),
            inventory=self.inventory,
            wanted=frozenset(kind for kind in self.wanted if kind.__module__.startswith("hardenprobe.")),
            anchors=packed_anchors(self.anchors),
            anchor_sources=self.anchors.sources,
            portion=seat.portion,
        )
        try:
            await self._client.run(take_job, job.packed(), self._id, workers=[seat.worker.address])
        except Exception as exc:  # noqa: BLE001 - whatever it is, this worker cannot take part
            self.notices.append(f"a worker of {seat.vantage} did not take the scan: {clip(str(exc))}")
            seat.gone.set()

    async def _look(self) -> None:
        """See who goes and who comes, and whether our own scope still allows the scan."""
        ending = False
        while True:
            await asyncio.sleep(LOOK)
            try:
                self.plan.scope.check_now()
            except ScopeRefused as exc:
                self.stop(str(exc))
            if self._stop.is_set() and not ending:
                ending = True  # what is in progress is finished, and nothing else of a shard is begun
                with contextlib.suppress(Exception):
                    await asyncio.wait_for(self._tell_end(), ENDING)
            try:
                there = known(await asyncio.wait_for(self._client.scheduler.identity(), connection.PATIENCE))
            except (OSError, TimeoutError, RuntimeError):
                self.stop(f"the scheduler at {self.address} is lost")
                for seat in self._seats:
                    seat.gone.set()
                return
            addresses = {one.address for one in there}
            for seat in self._seats:
                if seat.worker.address not in addresses:
                    seat.gone.set()
            seated = {seat.worker.address for seat in self._seats}
            self._spare = [one for one in there if one.address not in seated]
            async with self._changed:
                self._changed.notify_all()

    def _check_scheduler(self, *, lost: bool = False) -> None:
        """End the scan where the scheduler is lost: what was begun goes nowhere, and can be taken up."""
        if lost or self._client.status != "running":
            self.stop(f"the scheduler at {self.address} is lost")
            for seat in self._seats:
                seat.gone.set()

    async def _leave(self) -> None:
        # Otherwise the workers end by themselves what they were given.
        with contextlib.suppress(Exception):
            await asyncio.wait_for(asyncio.shield(self._tell_end()), ENDING)
        with contextlib.suppress(Exception):
            await asyncio.wait_for(self._client.close(), ENDING)

    async def _tell_end(self) -> None:
        from hardenprobe.cluster.worker import drop_job

        at = [seat.worker.address for seat in self._seats if not seat.gone.is_set()]
        if at:
            await self._client.run(drop_job, self._id, workers=at)

    # What is due

    def _planned(self, vantage: Vantage, number: int) -> Iterator[Due]:
        """The shards of one vantage point: expected devices, then what is swept. Each begins elsewhere in the order."""
        wanted = self.plan.wanted_from(vantage)
        expected = self.plan.expected(self.inventory.by_address) & wanted
        for segment, some in self._segments(wanted):
            yield from self._devices(VisitOrder(expected & some, self.seed), vantage, number, segment)
        order = VisitOrder(wanted - expected, self.seed)
        begin = len(order) * number // len(self.plan.vantages)
        walk = itertools.chain(order.walk(begin), itertools.islice(order.walk(), begin))
        left = (
            (position, address)
            for position, address in walk
            if (address, vantage.name) not in self.done and not self.quiet.known(vantage.name, position)
        )
        while some_swept := list(itertools.islice(left, SWEPT)):
            for segment, together in self._by_segment(some_swept):
                positions, addresses = zip(*together, strict=True)
                shard = self._shard(swept=addresses, segment=segment)
                yield Due(shard=shard, positions=positions, devices=frozenset(addresses))

    def _devices(
        self, order: Iterable[str], vantage: Vantage, number: int, segment: str | None
    ) -> Iterator[Due]:
        """Shards of expected devices, all addresses of a device in one."""
        grouped: dict[str, list[str]] = {}
        for address in order:
            if (address, vantage.name) not in self.done:
                grouped.setdefault(self._device(address), []).append(address)
        devices = list(grouped)
        begin = len(devices) * number // len(self.plan.vantages)
        devices = devices[begin:] + devices[:begin]
        for secret in (False, True):
            some = [name for name in devices if self._may_need(name) is secret]
            for at in range(0, len(some), DEVICES):
                names = some[at : at + DEVICES]
                addresses = tuple(address for name in names for address in grouped[name])
                shard = self._shard(expected=addresses, segment=segment)
                yield Due(shard=shard, devices=frozenset(names), secret=secret)

    def _besides(self, vantage: Vantage, number: int) -> Iterator[Due]:
        """The addresses that devices are known to have beside the planned ones."""
        for other, origin in self.others.items():
            if vantage.asks(other) and (other, vantage.name) not in self.done:
                name = self._device(origin)
                spent = self._spent.get(vantage.name, {}).get(name)
                shard = self._shard(others={other: origin}, spent={name: spent} if spent else {})
                yield Due(shard=shard, devices=frozenset([name]), secret=self._may_need(name))

    def _shard(self, **what: Any) -> Shard:
        return Shard(id=str(next(self._numbers)), begin_within=self.plan.timing.seconds, **what)

    def _segments(self, wanted: AddressSet) -> Iterator[tuple[str | None, AddressSet]]:
        """The parts of a set whose segments have rates of their own, and the rest."""
        for one in self._rated():
            here = AddressSet.of(one.networks)
            if here & wanted:
                yield one.name, here & wanted
            wanted = wanted - here
        if wanted:
            yield None, wanted

    def _by_segment(
        self, swept: Iterable[tuple[int, str]]
    ) -> Iterator[tuple[str | None, list[tuple[int, str]]]]:
        left, rated = list(swept), [(one.name, AddressSet.of(one.networks)) for one in self._rated()]
        for name, here in rated:
            if some := [one for one in left if one[1] in here]:
                yield name, some
                left = [one for one in left if one[1] not in here]
        if left:
            yield None, left

    def _rated(self) -> list[NetworkSegment]:
        return [one for one in self.inventory.segments if one.connections_per_second is not None]

    def _device(self, address: str) -> str:
        listed = self.inventory.by_address.get(address)
        return listed.asset_tag if listed else address

    def _may_need(self, name: str) -> bool:
        """A secret goes only to a listed device that a keyless question can confirm; see devices/credentials.py."""
        if not self.secrets.labels:
            return False
        entry = self._by_tag.get(name)
        return entry is not None and bool(entry.serial or entry.engine_id or entry.pinned_key)

    # Asking

    async def _asked(self, due: Callable[[Vantage, int], Iterator[Due]]) -> AsyncIterator[Visit]:
        """Have everything asked that is due, and yield what comes."""
        self._fronts = {
            one.name: Front(vantage=one, fresh=due(one, number))
            for number, one in enumerate(self.plan.vantages)
        }
        found: asyncio.Queue[Visit | None] = asyncio.Queue()
        fronts = [asyncio.create_task(self._work(front, found)) for front in self._fronts.values()]
        ended = asyncio.gather(*fronts)
        ended.add_done_callback(lambda _: found.put_nowait(None))
        try:
            while (visit := await found.get()) is not None:
                yield visit
            await ended
        finally:
            ended.cancel()
            await asyncio.gather(*fronts, return_exceptions=True)

    async def _work(self, front: Front, found: asyncio.Queue[Visit | None]) -> None:
        """Keep the workers of a vantage point busy, until nothing is left for them or they are all gone."""
        seats = [seat for seat in self._seats if seat.vantage == front.vantage.name]
        async with asyncio.TaskGroup() as lanes:
            for seat in seats:
                for _ in range(AHEAD):
                    lanes.create_task(self._lane(front, seat, found))
        for left in (*front.waiting, *(() if self._stop.is_set() else front.fresh)):
            why = left.lost or f"no worker of vantage point {front.vantage.name} is left"
            if not self._stop.is_set():
                self._give_up(front.vantage, left.shard.addresses, why)

    async def _lane(self, front: Front, seat: Seat, found: asyncio.Queue[Visit | None]) -> None:
        while not self._stop.is_set():
            if seat.gone.is_set() and not await self._stood_in(front, seat):
                return
            due = await self._next(front, seat)
            if due is None:
                return
            try:
                await self._ask(front, seat, due, found)
            finally:
                async with self._changed:
                    self._busy -= due.devices
                    front.running -= 1
                    self._changed.notify_all()

    async def _next(self, front: Front, seat: Seat) -> Due | None:
        """The next shard of which no device is busy; None where nothing will come any more."""
        async with self._changed:
            while not self._stop.is_set() and not seat.gone.is_set():
                for due in self._ready(front, seat):
                    front.waiting.remove(due)
                    self._busy |= due.devices
                    front.running += 1
                    return due
                if not front.waiting and not front.running:
                    return None
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._changed.wait(), LOOK)
        return None

    def _ready(self, front: Front, seat: Seat) -> Iterator[Due]:
        """Those that wait and may be asked, with as many fresh ones as there are seats."""
        now = time.monotonic()
        fresh = sum(not due.tries and (not due.secret or seat.secret) for due in front.waiting)
        for due in itertools.islice(front.fresh, max(0, 2 * len(self._seats) + 2 - fresh)):
            front.waiting.append(due)
        for due in list(front.waiting):
            if due.not_before <= now and not due.devices & self._busy and self._may_ask(due, seat):
                yield due

    def _may_ask(self, due: Due, seat: Seat) -> bool:
        """Secrets are with one worker at a time, which sends a user to one device at a time and stops at a wrong digest."""
        if not due.secret:
            return True
        holder = next((one for one in self._seats if one.secret and not one.gone.is_set()), None)
        if holder is None or (holder.vantage != seat.vantage and not self._holds(holder)):
            for one in self._seats:
                one.secret = one is seat
            holder = seat
        return holder is seat

    def _holds(self, holder: Seat) -> bool:
        """The holder of the secrets has something to ask, or may get it."""
        front = self._fronts[holder.vantage]
        return front.running > 0 or bool(front.waiting)

    async def _ask(self, front: Front, seat: Seat, due: Due, found: asyncio.Queue[Visit | None]) -> None:
        """Have a shard asked, and take what comes of it."""
        from hardenprobe.cluster.worker import scan_shard

        shard, vantage, timing = due.shard, front.vantage, self.plan.timing
        if due.secret:
            shard = replace(shard, sealed=seal(self.secrets, seat.worker.key, self._id).hex())
        future = self._client.submit(
            scan_shard,
            self._id,
            shard.packed(),
            key=f"shard-{self._id}-{shard.id}-{due.tries}",
            workers=[seat.worker.address],
            allow_other_workers=False,
            resources={f"vantage:{seat.vantage}": 1},
            pure=False,
            retries=0,
        )
        asking = asyncio.ensure_future(_result(future))
        gone = asyncio.ensure_future(seat.gone.wait())
        # Begun last of all in time, a visit may take as long again; then whoever has said nothing has stalled.
        patience = 2 * timing.seconds + timing.second_try + connection.PATIENCE
        try:
            await asyncio.wait({asking, gone}, timeout=patience, return_when=asyncio.FIRST_COMPLETED)
            if not asking.done():
                lost = "is lost" if gone.done() else f"gave no answer within {patience:.0f} s"
                seat.gone.set()
                self._check_scheduler()
                if not self._stop.is_set():
                    self._again(front, due, f"the worker at vantage point {vantage.name} {lost}")
                return
            self._check_scheduler()
            failure = None if asking.cancelled() else asking.exception()
            if self._stop.is_set() and (asking.cancelled() or failure):
                return  # it stays undone, and the scan can go on with it
            if asking.cancelled() or type(failure).__name__ in _LOST:
                seat.gone.set()
                self._again(front, due, f"the worker at vantage point {vantage.name} is lost")
                return
            try:
                if failure:
                    raise failure
                reply = read_reply(asking.result(), due.shard, vantage.name)
            except Exception as exc:  # noqa: BLE001 - its process died, or what it says is no reply
                self._again(
                    front, due, f"the worker at vantage point {vantage.name} failed: {clip(str(exc))}"
                )
                return
            await self._take(front, due, reply, found)
        finally:
            for waiting in (asking, gone):
                waiting.cancel()
            await asyncio.gather(asking, gone, return_exceptions=True)
            with contextlib.suppress(Exception):
                future.release()

    async def _take(
        self, front: Front, due: Due, reply: ShardReply, found: asyncio.Queue[Visit | None]
    ) -> None:
        vantage, shard = front.vantage, due.shard
        begun = {visit.address for visit in reply.visits}
        begun |= {shard.swept[at] for at in reply.quiet}
        for at, outcome in reply.quiet.items():
            self.quiet.note(vantage.name, due.positions[at], outcome)
        self.cost += reply.sweep
        for user, address in reply.users.items():
            self.secrets.stopped.setdefault(user, address)
        self.notices += [one for one in reply.notices if one not in self.notices]
        for address, why in reply.refused.items():
            self._give_up(vantage, [address], f"vantage point {vantage.name}: {why}", Reason.SCOPE)
        for visit in reply.visits:
            if visit.outcome == "answered":
                self._answered.add(visit.address)
            name = self._device(visit.same_as or visit.address)
            spent = self._spent.setdefault(vantage.name, {})
            spent[name] = spent.get(name, Cost()) + visit.cost
            self._note_others(visit)
            await found.put(visit)
        if reply.stopped:
            self.stop(f"vantage point {vantage.name}: {clip(reply.stopped, 200)}")
            return
        left = set(shard.addresses) - begun - set(reply.refused)
        if left:  # not begun in time; nobody was asked anything
            self._requeue(front, due, left)

    def _note_others(self, visit: Visit) -> None:
        """What else a device is at; the same bounds as a scan by one process keeps."""
        told = (one.facts for one in visit.observations if isinstance(one.facts, OtherAddress))
        listed = self.inventory.by_address
        for facts in itertools.islice(told, MOST_OTHERS):
            ours = listed.get(facts.address, listed.get(visit.address)) is listed.get(visit.address)
            if facts.left_out is None and ours and facts.address in self.plan.scope.allowed:
                self.others.setdefault(facts.address, visit.address)

    def _requeue(self, front: Front, due: Due, left: set[str]) -> None:
        shard = due.shard
        kept = [
            (at, address) for at, address in zip(due.positions, shard.swept, strict=True) if address in left
        ]
        again = replace(
            shard,
            id=str(next(self._numbers)),
            expected=tuple(address for address in shard.expected if address in left),
            swept=tuple(address for _, address in kept),
            others={other: origin for other, origin in shard.others.items() if other in left},
        )
        front.waiting.append(
            replace(due, shard=again, positions=tuple(at for at, _ in kept), tries=due.tries)
        )

    def _again(self, front: Front, due: Due, why: str) -> None:
        """Have a shard asked by another worker, once no device can be in the middle of the first visit any more."""
        if due.tries + 1 >= MOST_TRIES:
            self._give_up(front.vantage, due.shard.addresses, why)
            return
        later = time.monotonic() + self.plan.timing.seconds
        front.waiting.append(replace(due, tries=due.tries + 1, not_before=later, lost=why))

    async def _stood_in(self, front: Front, seat: Seat) -> bool:
        """Let another worker of the vantage point take a lost one's seat, once that one's visits are over."""
        async with self._changed:
            seat.over = seat.over or time.monotonic() + self.plan.timing.seconds
            while time.monotonic() < seat.over and (front.waiting or front.running) and seat.gone.is_set():
                if self._stop.is_set():
                    return False
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._changed.wait(), LOOK)
            if not seat.gone.is_set():  # another lane has seen to it
                return True
            stand_in = next((one for one in self._spare if one.vantage == seat.vantage), None)
            if stand_in is None or not (front.waiting or front.running):
                return False
            self._spare.remove(stand_in)
            seat.worker = stand_in
            seat.over, seat.gone = 0.0, asyncio.Event()
        await self._brief(seat)
        return not seat.gone.is_set()

    # What could not be asked

    def _give_up(
        self, vantage: Vantage, addresses: Iterable[str], why: str, reason: Reason = Reason.INCONCLUSIVE
    ) -> None:
        kinds = tuple(sorted(kind.kind for kind in self.wanted))
        for address in addresses:
            facts = ProbeFault(probe="visit", kinds=kinds, reason=reason, text=why)
            seen = observation(facts, None, vantage.name, utc_now())
            self._lost.append(
                Visit(
                    address=address, vantage=vantage.name, outcome="unfinished", observations=(seen,), why=why
                )
            )
        if why not in self.notices:
            self.notices.append(why)

    def _explained(self, visit: Visit) -> Visit:
        """With the reason as an observation, where a device is known to be; elsewhere it would make one up."""
        listed = self.inventory.by_address.get(visit.address)
        addresses = listed.addresses if listed else (visit.address,)
        known = any(address in self._answered for address in addresses)
        return visit if known else replace(visit, observations=())


async def _result(future: Any) -> bytes:
    told = await future
    if not isinstance(told, bytes):
        raise HardenprobeError("its answer is no reply")
    return told
