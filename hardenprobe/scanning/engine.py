"""Runs probes over addresses: which probe asks which port, in which order, and what becomes of a probe that fails."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import time
from collections.abc import AsyncGenerator, AsyncIterator, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.devices.inventory import Listed
from hardenprobe.errors import CeilingReached, LocalFault, ScopeRefused, TimeLimitExceeded, clip
from hardenprobe.facts import OtherAddress, ProbeFault, TcpPort
from hardenprobe.model import Cost, Observation, Reason, State, Vantage
from hardenprobe.model.visit import OUTCOMES, Visit
from hardenprobe.network import audit_hook
from hardenprobe.network.backoff import Backoff
from hardenprobe.network.budget import DeviceBudget
from hardenprobe.network.capture import headers
from hardenprobe.network.capture.socket_tap import SweepTap, Tap
from hardenprobe.network.link import DeviceLink
from hardenprobe.network.rate_limit import Rate
from hardenprobe.planning import local_links
from hardenprobe.planning.visit_order import VisitOrder
from hardenprobe.plugins import probe_share
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.scanning import group_round, other_addresses, presence
from hardenprobe.scanning.group_round import GroupRound
from hardenprobe.scanning.name_server import NameServer
from hardenprobe.scanning.probe_order import FIRST_PROBES, PROBES
from hardenprobe.scanning.stoppable_scan import StoppableScan
from hardenprobe.scanning.sweep import SNMP, Pace, Touch, sweep
from hardenprobe.scope.ports import may_speak
from hardenprobe.scope.scope import is_loopback

if TYPE_CHECKING:
    from hardenprobe.network.capture.capture import Capture
    from hardenprobe.network.capture.headers import HeaderTrace

log = logging.getLogger("hardenprobe.scanning.engine")
PLUGGED_SECONDS = 30.0  # that one probe of a plug-in may take at one address

SECOND_TOUCH = 1.0  # seconds for a sign of life of who was expected, and silent all through
HEADERS_READ = 0.25  # seconds between two looks at the packets that the kernel holds
TABLE_KEPT = 0.2  # seconds that the neighbour table is believed


async def _each(addresses: Iterable[str]) -> AsyncGenerator[QueuedAddress]:
    for address in addresses:
        yield QueuedAddress(address=address)


@dataclass(frozen=True, kw_only=True)
class QueuedAddress:
    """An address whose turn it is.

    Attributes:
        position: In the sweep's order; None for an address that is visited without having been swept.
        resolved: The link or an ICMP echo says that somebody has the address, silent though he is.
        cost: Of the sweep's touch, which counts under the device's ceiling.
    """

    address: str
    position: int | None = None
    resolved: bool = False
    cost: Cost = field(default_factory=Cost)
    began: float = field(default_factory=time.monotonic)

    @property
    def expected(self) -> bool:
        """A device should be there."""
        return self.position is None or self.resolved


@dataclass(frozen=True, kw_only=True)
class Share:
    """A part of a plan, for one of several that scan it at the same time.

    Attributes:
        expected: Addresses that are visited without being swept.
        swept: Addresses that are swept first. Their positions are those in this tuple.
        others: Addresses that were not planned, to the planned one at which their device told of them.
        spent: What has been spent on a device already, by its asset tag, else by its planned address.
    """

    expected: tuple[str, ...] = ()
    swept: tuple[str, ...] = ()
    others: Mapping[str, str] = field(default_factory=dict)
    spent: Mapping[str, Cost] = field(default_factory=dict)


@dataclass(eq=False, kw_only=True)
class Scan(StoppableScan):
    """One scan. Iterate over `visits()`; each visit is final when it arrives.

    Addresses that somebody expects a device at, in the inventory or as a target by itself, are visited; all others are
    swept first, and visited where somebody answered. From one vantage point after the other, since it is the same device.

    Attributes:
        capture: Writes down the packets, where somebody asked for that.
        share: The part of the plan that this scan asks; None for all of it.
        rate: Shared with whoever scans beside it; of its own by default.
        places: Held during a visit, where devices in progress are counted over several scans.
    """

    capture: Capture | None = None
    share: Share | None = None
    rate: Rate | None = None
    places: asyncio.Semaphore | None = None
    _lost: bool = False  # this machine lost its way to a device
    _without_way: int = 0  # addresses to which it had none
    _first_without: str = ""
    _turns: dict[tuple[str, str], DeviceBudget] = field(default_factory=dict)
    _signs: dict[str, list[str]] = field(default_factory=dict)
    _overran: dict[str, str] = field(default_factory=dict)
    _groups: dict[str, GroupRound] = field(default_factory=dict)
    _rate: Rate = field(init=False)
    _names: NameServer = field(init=False)
    _networks: AddressSet | None = field(init=False)
    _table: dict[str, local_links.Neighbour] = field(default_factory=dict)
    _table_read: float = -math.inf
    _headers: HeaderTrace | None = None

    def __post_init__(self) -> None:
        self._rate = self.rate or Rate(self.plan.timing.connections_per_second)
        self._names = NameServer(plan=self.plan, rate=self._rate, spend=self._spend, capture=self.capture)
        self.others |= self.share.others if self.share else {}
        self._networks = local_links.networks()

    @property
    def notices(self) -> list[str]:
        """What people should know of how it went."""
        found = [notice for groups in self._groups.values() for notice in groups.notices]
        found += self._names.notices
        if self._without_way:
            others = f" and {self._without_way - 1} more" if self._without_way > 1 else ""
            found.append(
                f"this machine has no route to {self._first_without}{others}: nothing was sent there"
            )
        return found

    def _note_no_way(self, address: str) -> None:
        self._first_without = self._first_without or address
        self._without_way += 1

    async def visits(self) -> AsyncIterator[Visit]:
        """Visit every address of the plan from every vantage point, several devices at a time."""
        self._groups = {
            v.name: GroupRound()
            if self.share
            else group_round.prepare(self.plan, v, self._rate, self.capture)
            for v in self.plan.vantages
        }
        with audit_hook.watching(), self._interruptible(), self._traced():
            for vantage in self.plan.vantages:
                async for visit in self._from(vantage):
                    yield visit
            for vantage in self.plan.vantages:  # which may have been told of by any of them
                async for visit in self._besides(vantage):
                    yield visit

    @contextlib.contextmanager
    def _traced(self) -> Iterator[None]:
        """Keep the headers of the packets that decide, where the plan wants them and this process may."""
        if not self.plan.packet_headers or self.capture:
            yield
            return
        with headers.tracing(self.plan.may_be_asked.cover()) as self._headers:
            reading = asyncio.create_task(self._read_headers()) if self._headers else None
            try:
                yield
            finally:
                if reading:
                    reading.cancel()

    async def _read_headers(self) -> None:
        """The kernel has room for some 40,000 packets, and a sweep makes more of them between two visits."""
        while self._headers:
            self._headers.read()
            await asyncio.sleep(HEADERS_READ)

    async def _from(self, vantage: Vantage) -> AsyncIterator[Visit]:
        """All addresses from one vantage point; an expected one that is silent gets a second try at the end."""
        silent: dict[str, Visit] = {}
        try:
            await self._groups[vantage.name].ask(self.plan, self.wanted)
        except ScopeRefused as exc:  # the hour or the stop file
            self.stop(str(exc))
        self.cost += self._groups[vantage.name].cost
        latest = 0.0  # when the last of them was first asked
        async for due, visit in self._visited(self._due(vantage), vantage):
            if due.position is None and visit.outcome == "silent":
                silent[visit.address] = visit
                latest = max(latest, due.began)
            elif due.position is not None and visit.outcome in OUTCOMES:
                self.cost += visit.cost
                self.quiet.note(vantage.name, due.position, visit.outcome)
            else:
                yield visit
        if silent and not self._stop.is_set():
            touch = min(SECOND_TOUCH, self.plan.timing.connect)
            rest = latest + self.plan.timing.second_try - touch - time.monotonic()
            with contextlib.suppress(TimeoutError):  # devices asleep need some seconds
                await asyncio.wait_for(self._stop.wait(), max(0.0, rest))
            async for _, visit in self._visited(self._woken(silent, vantage), vantage):
                first = silent.pop(visit.address)
                yield replace(visit, cost=first.cost + visit.cost)
        for visit in silent.values():  # not woken, or stopped before their second try
            yield visit

    async def _besides(self, vantage: Vantage) -> AsyncIterator[Visit]:
        """The addresses that devices are known to have beside the planned ones."""
        due = self.others if self.share is None else self.share.others
        more = [a for a in due if vantage.asks(a) and (a, vantage.name) not in self.done]
        async for _, visit in self._visited(_each(more), vantage):
            yield visit

    async def _woken(self, silent: dict[str, Visit], vantage: Vantage) -> AsyncGenerator[QueuedAddress]:
        """Those of the silent who show a sign of life when they are touched once more; what that costs is theirs."""
        async for touch in self._touched(list(silent), vantage, SECOND_TOUCH):
            if touch.state is State.SILENT and touch.asked:
                first = silent[touch.address]
                silent[touch.address] = replace(first, cost=first.cost + touch.cost)
            else:
                yield QueuedAddress(address=touch.address, cost=touch.cost)

    async def _due(self, vantage: Vantage) -> AsyncGenerator[QueuedAddress]:
        """Whose turn it is: first the expected addresses, then those that the sweep finds among all others."""
        expected: Iterable[str]
        swept: Iterable[tuple[int, str]]
        if self.share is None:
            wanted = self.plan.wanted_from(vantage)
            alone = self.plan.expected(self.inventory.by_address) & wanted
            expected, swept = VisitOrder(alone, self.seed), VisitOrder(wanted - alone, self.seed).walk()
        else:
            expected, swept = self.share.expected, enumerate(self.share.swept)
        for address in expected:
            if (address, vantage.name) not in self.done:
                yield QueuedAddress(address=address)
        async with contextlib.aclosing(self._found(swept, vantage)) as found:
            async for due in found:
                yield due

    async def _found(
        self, addresses: Iterable[tuple[int, str]], vantage: Vantage
    ) -> AsyncGenerator[QueuedAddress]:
        """Sweep addresses at which no device is expected; those that show a sign of life are due."""
        positions: dict[str, int] = {}  # of those in progress

        def untouched() -> Iterator[str]:
            for position, address in addresses:
                if self._stop.is_set():
                    return
                if not self._settled(vantage.name, position, address):
                    positions[address] = position
                    yield address

        async for touch in self._touched(untouched(), vantage, self.plan.timing.connect, echo=True):
            position = positions.pop(touch.address)
            resolved = touch.state is State.SILENT and (touch.echoed or self._resolved(touch.address))
            self._lost = self._lost or not touch.asked
            if touch.asked and not touch.routed:
                self._note_no_way(touch.address)
            if touch.state is State.SILENT and not resolved and touch.asked:
                self.cost += touch.cost
                self.quiet.note(vantage.name, position, "silent")
            else:
                yield QueuedAddress(
                    address=touch.address, position=position, resolved=resolved, cost=touch.cost
                )

    async def _touched(
        self, addresses: Iterable[str], vantage: Vantage, wait: float, *, echo: bool = False
    ) -> AsyncGenerator[Touch]:
        """Touch addresses; where the scope forbids it by now, the scan ends."""
        plan = self.plan
        touching = sweep(
            addresses,
            plan.scope,
            ports=presence.first_ports(plan),
            snmp=SNMP in plan.udp_ports,
            source=vantage.source,
            port_offset=plan.port_offset,
            pace=Pace(wait=min(wait, plan.timing.connect), rate=self._rate),
            tap=SweepTap(self.capture) if self.capture else None,
            echo=echo,
        )
        try:
            async with contextlib.aclosing(touching) as touches:
                async for touch in touches:
                    yield touch
        except ScopeRefused as exc:  # the hour or the stop file
            self.stop(str(exc))

    def _resolved(self, address: str) -> bool:
        """Somebody on the link says that the address is his. The kernel's table is read a few times a second at most."""
        if not self._networks or is_loopback(address) or address not in self._networks:
            return False
        now = time.monotonic()
        if now - self._table_read > TABLE_KEPT:
            self._table, self._table_read = local_links.neighbours(), now
        known = self._table.get(address)
        return known is not None and known.resolved is True

    def _settled(self, vantage: str, position: int, address: str) -> bool:
        return (address, vantage) in self.done or self.quiet.known(vantage, position)

    async def _visited(
        self, due: AsyncGenerator[QueuedAddress], vantage: Vantage
    ) -> AsyncIterator[tuple[QueuedAddress, Visit]]:
        """Visit the addresses that are due, several at a time; each visit is yielded when it is finished."""
        at_once = self.plan.timing.devices_at_once  # one device is never asked twice at the same moment
        done: asyncio.Queue[tuple[QueuedAddress, Visit] | None] = asyncio.Queue(maxsize=at_once)
        taking = asyncio.Lock()  # an asynchronous generator gives to one at a time

        async def work() -> None:
            try:
                while True:
                    async with taking:
                        one = None if self._stop.is_set() else await anext(due, None)
                    if one is None:
                        break
                    async with self.places or contextlib.nullcontext():
                        if self.places and self._stop.is_set():
                            break  # it waited for a place, and was not begun
                        visit = await self._visit(one, vantage)
                    await done.put((one, visit))
            except asyncio.CancelledError:
                raise  # no one takes visits any more, and a full queue would block for ever
            except BaseException:
                await done.put(None)
                raise
            await done.put(None)

        workers = [asyncio.create_task(work()) for _ in range(at_once)]
        try:
            running = len(workers)
            while running:
                finished = await done.get()
                if finished is None:
                    running -= 1
                else:
                    yield finished
            await asyncio.gather(*workers)
        finally:
            for worker in workers:
                worker.cancel()
            await asyncio.gather(*workers, return_exceptions=True)
            await due.aclose()

    def _turn(self, listed: Listed | None, address: str, vantage: Vantage) -> DeviceBudget:
        """Whose turn it is to connect, and how often: shared by all addresses that are known to be one device.

        Its limits are for each vantage point anew, as the plan states; that it bears less is known to all of them.
        """
        known = listed.asset_tag if listed else address
        if (vantage.name, known) not in self._turns:
            easing = Backoff(signs=self._signs.setdefault(known, []))
            planned = listed.addresses if listed else (address,)
            waiting = {a for a in planned if a in self.plan.wanted and (a, vantage.name) not in self.done}
            spent = self.share.spent.get(known, Cost()) if self.share else Cost()
            self._turns[vantage.name, known] = DeviceBudget(
                easing=easing, waiting=waiting, cost=spent, finished=spent
            )
        return self._turns[vantage.name, known]

    async def _ask_plugged(self, asked: ProbeContext, until: float | None) -> None:
        """The probes of plug-ins, after ours and with what those left; one that kept everybody waiting is not run again."""
        asking = [p for p in self.plugged if p.allowed(asked.plan) and asked.wants(*p.produces)]
        clock = asyncio.get_running_loop().time
        for position, probe in enumerate(asking):
            if why := self._overran.get(probe.name):
                asked.fault(probe.name, probe.produces, Reason.CRASHED, f"not asked: elsewhere {why}")
                continue
            parts = len(asking) - position
            left = PLUGGED_SECONDS if until is None else min(PLUGGED_SECONDS, (until - clock()) / parts)
            try:
                await probe_share.ask(probe, asked, parts, left)
            except TimeLimitExceeded as exc:
                self._overran[probe.name] = str(exc)

    async def _told(self, asked: ProbeContext) -> list[OtherAddress]:
        """What else the device is known to be at; where nobody may be asked any more, nothing."""
        try:
            return await other_addresses.told(asked, self.inventory, self._names)
        except ScopeRefused as exc:
            self.stop(str(exc))
            return []

    def _spend(self, cost: Cost) -> None:
        self.cost += cost

    def _wanted(self, address: str) -> frozenset[type[Any]]:
        share = self.plan.shares.get(address)
        return self.wanted if share is None else frozenset(k for k in self.wanted if k.kind in share.kinds)

    async def _visit(self, due: QueuedAddress, vantage: Vantage) -> Visit:
        address = due.address
        plan, wanted = self.plan.at(address), self._wanted(address)
        origin = self.others.get(address)
        listed = self.inventory.by_address.get(origin or address)
        declared = [(s.port, s.protocol) for s in listed.services if s.transport == "tcp"] if listed else []
        line = DeviceLink(
            address=address,
            permit=self.plan.scope,
            vantage=vantage.name,
            source=vantage.source if vantage.source and (":" in vantage.source) == (":" in address) else None,
            timing=self.plan.timing,
            may_speak=may_speak(declared),
            port_offset=self.plan.port_offset,
            turn=self._turn(listed, origin or address, vantage),
            rate=self._rate,
            cost=due.cost,
            tap=Tap(self.capture) if self.capture else None,
        )
        asked = ProbeContext(
            line=line,
            plan=plan,
            listed=listed,
            wanted=wanted,
            anchors=self.anchors,
            secrets=self.secrets,
            groups=self._groups[vantage.name].links(address),
        )
        asked.seen += [o for o in self._groups[vantage.name].observations(line) if type(o.facts) in wanted]
        produced = {kind for probe in (*FIRST_PROBES, *PROBES, *self.plugged) for kind in probe.produces}
        missing = wanted & {TcpPort, *produced}  # the rest is read from files
        unfinished = None
        try:
            async with asyncio.timeout(self.plan.timing.seconds) as clock:
                there = await _ask_device(asked, self.plugged, expected=due.expected)
                line.finish()
                if there:
                    await self._ask_plugged(asked, clock.when())
        except ScopeRefused as exc:
            self.stop(str(exc))
            unfinished = str(exc)
            asked.fault("visit", missing, Reason.WINDOW, unfinished)
        except LocalFault as exc:
            self._lost = True
            unfinished = str(exc)
            asked.fault("visit", missing, Reason.INCONCLUSIVE, unfinished)
        except TimeoutError:
            asked.fault("visit", missing, Reason.CEILING, "the time for one device is used up")
        except CeilingReached as exc:
            asked.fault("visit", missing, Reason.CEILING, str(exc))
        except Exception as exc:  # a bug in one device's visit must not end the scan
            log.exception("visit of %s", address)
            text = f"{type(exc).__name__}: {clip(str(exc))}"
            asked.fault("visit", missing, Reason.CRASHED, text)
        by_link = self._groups[vantage.name].observations_by_link(line)
        asked.seen += [o for o in by_link if type(o.facts) in wanted]
        if not origin and (asked.answered or listed):
            told = await self._told(asked)
            self.others.update(
                {o.address: address for o in told if not o.left_out and o.address not in self.others}
            )
            asked.seen += [line.observation(facts, None) for facts in told]
        if line.tap:
            asked.seen[:] = await line.tap.numbered(asked.seen)
        elif self._headers:
            asked.seen[:] = self._headers.named(asked.seen)
        visit = replace(_visit_of(asked, unfinished), same_as=origin)
        on_link = None if self._networks is None else address in self._networks
        source = line.own_address()
        if (
            source is None
        ):  # no way there: what our own stack said is no word of the device, and it was not asked
            visit = replace(visit, observations=())
            if self._lost and visit.outcome == "silent":
                visit = replace(visit, outcome="unfinished", why=f"this machine lost its way to {address}")
            elif visit.outcome == "silent":
                self._note_no_way(address)
        near = on_link and not is_loopback(address)
        link_layer = local_links.link_layer(address, local_links.neighbours()) if near else None
        return replace(visit, source=source, on_link=on_link, link_layer=link_layer)


async def _ask_device(asked: ProbeContext, plugged: tuple[Probe, ...], *, expected: bool) -> bool:
    """Ports, then what speaks on them, the cheapest and most telling first; False where nobody is there.

    Args:
        plugged: Probes that plug-ins bring, and that will ask afterwards.
        expected: A device should be there, so every port is looked at though the first are silent.

    Raises:
        ScopeRefused, CeilingReached: What was seen until then is kept.
    """
    if not await presence.look_at_ports(asked, plugged, expected=expected):
        return False
    for probe in PROBES:
        if probe.allowed(asked.plan) and asked.wants(*probe.produces):
            await probe.run(asked)
    return True


def _visit_of(asked: ProbeContext, unfinished: str | None) -> Visit:
    """The result of a visit. A bug must not look like silence or refusal."""
    states = {getattr(o.facts, "state", None) for o in asked.seen if not getattr(o.facts, "control", False)}
    # A reset proves a host, but on this machine the kernel resets for addresses without a device.
    reset_proves = asked.listed is not None and not is_loopback(asked.line.address)
    proven = State.ACCEPTING in states or (State.REFUSING in states and reset_proves)
    crashed = next((o.facts.text for o in asked.of(ProbeFault) if o.facts.reason == Reason.CRASHED), None)
    seen: tuple[Observation[Any], ...] = tuple(asked.seen)
    if unfinished or (crashed and not proven):
        outcome = "unfinished"
    elif proven:
        outcome = "answered"
    else:
        outcome = "refused" if State.REFUSING in states else "silent"
    if not proven and (asked.listed is None or outcome == "unfinished"):
        seen = ()  # no proof, no device; of a listed one they prove that it was looked for
    return Visit(
        address=asked.line.address,
        vantage=asked.line.vantage,
        outcome=outcome,
        observations=seen,
        cost=asked.line.cost,
        why=unfinished or (None if proven else crashed),
        eased=asked.line.turn.easing.summary,
    )
