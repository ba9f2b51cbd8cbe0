"""Runs probes over addresses: which probe asks which port, in which order, and what becomes of a probe that fails."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import signal
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from hardenprobe import guard
from hardenprobe.errors import CeilingReached, MalformedReply, ScopeRefused, Unreachable, clip
from hardenprobe.facts import FtpSession, HttpAnswer, ProbeFault, SnmpAnswer, SnmpEngine, TelnetGreeting
from hardenprobe.facts_tls import TlsPort
from hardenprobe.identity import Visit
from hardenprobe.inventory import Inventory, Listed
from hardenprobe.link import Line, observation
from hardenprobe.plan import Plan
from hardenprobe.ports import RAW_PRINT, may_speak
from hardenprobe.probes import ftp, http, snmp, tcp, telnet
from hardenprobe.probes.certificates import TrustAnchors
from hardenprobe.probes.tls import probe_tls
from hardenprobe.records import Observation, Reach, Reason, State, Vantage
from hardenprobe.scope import is_loopback

log = logging.getLogger("hardenprobe.engine")

DEVICES_AT_ONCE = 32  # of different devices; one device is never asked twice at the same moment
FIRST_TOUCH = (443, 80, 9100, 631)  # silent on all of these, and over SNMP, is nobody
IPP = 631  # shared by ipp and ipps; one page tells that HTTP is spoken, and is no settings page


@dataclass(kw_only=True)
class Scan:
    """One scan. Iterate over `visits()`; each visit is final when it arrives.

    Attributes:
        wanted: The kinds of facts that somebody will read; other probes are not run.
        interrupted: Somebody stopped the scan, or its window closed, before the plan was done.
    """

    plan: Plan
    inventory: Inventory
    wanted: frozenset[type[Any]]
    anchors: TrustAnchors
    interrupted: bool = False
    why_interrupted: str | None = None
    _stop: asyncio.Event = field(default_factory=asyncio.Event)

    def stop(self, why: str) -> None:
        """Finish the devices in hand and begin no other."""
        self.interrupted = True
        self.why_interrupted = self.why_interrupted or why
        self._stop.set()

    async def visits(self) -> AsyncIterator[Visit]:
        """Visit every address of the plan from every vantage point, several devices at a time."""
        todo = iter((a, v) for a in self.plan.addresses() for v in self.plan.vantages)
        done: asyncio.Queue[Visit | None] = asyncio.Queue(maxsize=DEVICES_AT_ONCE)

        async def work() -> None:
            try:
                for address, vantage in todo:
                    if self._stop.is_set():
                        self.interrupted = True
                        break
                    await done.put(await self._visit(address, vantage))
            except asyncio.CancelledError:
                raise  # nobody takes visits any more, and a full queue would hold us for ever
            except BaseException:
                await done.put(None)
                raise
            await done.put(None)

        with guard.watching(), self._interruptible():
            workers = [asyncio.create_task(work()) for _ in range(DEVICES_AT_ONCE)]
            try:
                running = len(workers)
                while running:
                    visit = await done.get()
                    if visit is None:
                        running -= 1
                    else:
                        yield visit
                await asyncio.gather(*workers)
            finally:
                for worker in workers:
                    worker.cancel()
                await asyncio.gather(*workers, return_exceptions=True)

    @contextlib.contextmanager
    def _interruptible(self) -> Any:
        """Ctrl-C once finishes what is in hand; twice ends it at once."""
        loop = asyncio.get_running_loop()
        main = asyncio.current_task()

        def interrupt() -> None:
            if self._stop.is_set() and main is not None:
                main.cancel()
            self.stop("interrupted")

        try:
            loop.add_signal_handler(signal.SIGINT, interrupt)
        except (NotImplementedError, ValueError, RuntimeError):  # no signals here, or not the main thread
            yield
            return
        try:
            yield
        finally:
            loop.remove_signal_handler(signal.SIGINT)

    async def _visit(self, address: str, vantage: Vantage) -> Visit:
        listed = self.inventory.by_address.get(address)
        declared = [(s.port, s.protocol) for s in listed.services if s.transport == "tcp"] if listed else []
        line = Line(
            address=address,
            permit=self.plan.scope,
            vantage=vantage.name,
            source=_source(vantage, address),
            timing=self.plan.timing,
            may_speak=may_speak(declared),
            port_offset=self.plan.port_offset,
        )
        visitor = Visitor(line=line, plan=self.plan, listed=listed, wanted=self.wanted, anchors=self.anchors)
        try:
            async with asyncio.timeout(self.plan.timing.seconds):
                await visitor.run()
        except ScopeRefused as exc:
            self.stop(str(exc))
            visitor.unfinished = str(exc)
        except TimeoutError:
            visitor.fault("visit", self.wanted, Reason.CEILING, "the time for one device is used up")
        except CeilingReached as exc:
            visitor.fault("visit", self.wanted, Reason.CEILING, str(exc))
        except Exception as exc:  # a bug of ours in one device's visit must not end the scan
            log.exception("visit of %s", address)
            visitor.crashed = f"{type(exc).__name__}: {clip(str(exc))}"
            visitor.fault("visit", self.wanted, Reason.CRASHED, visitor.crashed)
        return visitor.result()


def _source(vantage: Vantage, address: str) -> str | None:
    """The source for an address; the system chooses where the vantage point's is of the other family."""
    same = vantage.source is not None and (":" in vantage.source) == (":" in address)
    return vantage.source if same else None


@dataclass(kw_only=True)
class Visitor:
    """Asks one address, from one vantage point, everything that somebody will read."""

    line: Line
    plan: Plan
    listed: Listed | None
    wanted: frozenset[type[Any]]
    anchors: TrustAnchors
    unfinished: str | None = None
    crashed: str | None = None
    seen: list[Observation[Any]] = field(default_factory=list)
    _heard: dict[int, tcp.Heard] = field(default_factory=dict)

    async def run(self) -> None:
        """The order of a visit: ports, then what speaks on them, cheapest and most telling first."""
        if not await self._ports():
            return
        if self._accepting():
            port = random.choice(self._control_ports())
            control = await tcp.look(self.line, port, control=True, touch_only=True)
            self.seen.append(control.seen)
        if self.plan.reach.admits(Reach.ASK):
            await self._speak()

    def _control_ports(self) -> list[int]:
        """Ports of the dynamic range; a lab's offset is taken off, since the door adds it."""
        ports = (port - self.line.port_offset for port in tcp.CONTROL_PORTS)
        return [port for port in ports if port > 0 and port not in self.plan.tcp_ports]

    async def _ports(self) -> bool:
        """Look at every port; False when nobody is there."""
        fragile = self.listed is not None and self.listed.fragile
        ports = [p for p in self.plan.tcp_ports if not (fragile and p in RAW_PRINT)]
        first = [p for p in FIRST_TOUCH if p in ports] or ports[:2]
        for port in first:
            await self._look(port)
        if self._wants(SnmpAnswer, SnmpEngine) and snmp.PORT in self.plan.udp_ports:
            await self._snmp()
        silent = all(self._heard[p].seen.facts.state is State.SILENT for p in first)
        if silent and not any(o.facts.state is not State.SILENT for o in self._datagrams()):
            return False
        for port in ports:
            if port not in self._heard:
                await self._look(port)
        return True

    async def _look(self, port: int) -> None:
        heard = await tcp.look(self.line, port)
        self._heard[port] = heard
        self.seen.append(heard.seen)
        if heard.seen.facts.speaks == "telnet":
            where = self.line.endpoint(port, protocol="telnet")
            facts = telnet.read(heard.greeting)
            self.seen.append(self._same_bytes(facts, where, heard.seen))

    @staticmethod
    def _same_bytes(facts: TelnetGreeting, where: Any, seen: Observation[Any]) -> Observation[TelnetGreeting]:
        """The greeting is proof of both the port and the protocol; it was asked once."""
        return observation(facts, where, seen.vantage, seen.asked_at, seen.transcript)

    async def _snmp(self) -> None:
        if self.plan.reach.admits(Reach.ASK):
            kinds = (SnmpAnswer, SnmpEngine)
            await self._attempt("snmp", kinds, lambda: snmp.sweep(self.line, self.plan.communities))

    async def _speak(self) -> None:
        """Say something to the ports that accept and may be spoken to."""
        for heard in self._accepting():
            port, speaks = heard.port, heard.seen.facts.speaks
            if speaks == "ftp" and self.line.speaks(port, "ftp") and self._wants(FtpSession):
                await self._one("ftp", (FtpSession,), partial(ftp.ask, self.line, port))
            elif speaks is None and not heard.seen.facts.closed:
                await self._web(port)

    async def _web(self, port: int) -> None:
        """A port that waits for us: TLS where it may be spoken, and a page over whichever it is."""
        tls = None
        if self.line.speaks(port, "tls") and self._wants(TlsPort, HttpAnswer):
            kinds = (TlsPort,)
            await self._attempt("tls", kinds, lambda: probe_tls(self.line, port, anchors=self.anchors))
            found = [
                o
                for o in self.seen
                if isinstance(o.facts, TlsPort) and o.endpoint and o.endpoint.port == port
            ]
            tls = bool(found and found[-1].facts.speaks)
        if not self._wants(HttpAnswer):
            return
        if not tls and not self.line.speaks(port, "http"):
            return
        context = http.lenient_context() if tls else None
        for path in self.plan.http_paths:
            ask = partial(http.get, self.line, port, path, tls=context, ipp=port == IPP)
            await self._one("https" if tls else "http", (HttpAnswer,), ask)

    async def _one(
        self, name: str, kinds: tuple[type[Any], ...], ask: Callable[[], Awaitable[Observation[Any]]]
    ) -> None:
        async def as_list() -> list[Observation[Any]]:
            return [await ask()]

        await self._attempt(name, kinds, as_list)

    async def _attempt(
        self,
        name: str,
        kinds: Iterable[type[Any]],
        ask: Callable[[], Awaitable[Iterable[Observation[Any]]]],
    ) -> None:
        """Run a probe; what keeps it from finishing becomes an observation of its own."""
        try:
            self.seen.extend(await ask())
        except (ScopeRefused, CeilingReached):
            raise
        except Unreachable as exc:
            reason = Reason.SILENT if exc.state == "silent" else Reason.DROPPED
            self.fault(name, kinds, reason, str(exc))
        except MalformedReply as exc:
            self.fault(name, kinds, Reason.INCONCLUSIVE, str(exc))
        except Exception as exc:  # a probe that breaks costs its own facts and nothing else
            log.exception("probe %s at %s", name, self.line.address)
            self.fault(name, kinds, Reason.CRASHED, f"{type(exc).__name__}: {clip(str(exc))}")

    def fault(self, probe: str, kinds: Iterable[type[Any]], reason: Reason, text: str) -> None:
        """Write down that a probe could not finish."""
        missing = tuple(sorted(k.kind for k in kinds))
        self.seen.append(
            self.line.observation(ProbeFault(probe=probe, kinds=missing, reason=reason, text=text), None)
        )

    def result(self) -> Visit:
        if self.unfinished:
            outcome = "unfinished"
        elif self._accepting() or any(o.facts.state is State.ACCEPTING for o in self._datagrams()):
            outcome = "answered"
        elif any(h.seen.facts.state is State.REFUSING for h in self._heard.values()):
            # A reset proves a host, but on this machine the kernel resets for addresses that nobody has.
            proven = self.listed is not None and not is_loopback(self.line.address)
            outcome = "answered" if proven else "refused"
            if self.crashed and not proven:
                outcome = "unfinished"
        elif self.crashed:
            outcome = "unfinished"  # a bug of ours must not look like silence
        else:
            outcome = "silent"
        return Visit(
            address=self.line.address,
            vantage=self.line.vantage,
            outcome=outcome,
            observations=tuple(self.seen) if outcome in ("answered", "unfinished") else (),
            cost=self.line.cost,
            why=self.unfinished or self.crashed,
        )

    def _accepting(self) -> list[tcp.Heard]:
        return [h for h in self._heard.values() if h.seen.facts.state is State.ACCEPTING]

    def _datagrams(self) -> list[Observation[Any]]:
        return [o for o in self.seen if isinstance(o.facts, SnmpAnswer | SnmpEngine)]

    def _wants(self, *kinds: type[Any]) -> bool:
        return any(kind in self.wanted for kind in kinds)
