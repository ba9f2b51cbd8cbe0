"""Runs probes over addresses: which probe asks which port, in which order, and what becomes of a probe that fails."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import signal
from collections.abc import AsyncIterator, Iterable
from dataclasses import dataclass, field
from typing import Any

from hardenprobe import guard
from hardenprobe.capture import Capture
from hardenprobe.credentials import Secrets
from hardenprobe.errors import CeilingReached, ScopeRefused, clip
from hardenprobe.identity import Visit
from hardenprobe.inventory import Inventory, Listed
from hardenprobe.link import Line
from hardenprobe.plan import Plan
from hardenprobe.ports import RAW_PRINT, may_speak
from hardenprobe.probe import Asked, Probe
from hardenprobe.probes import (
    ftp,
    ftp_anonymous,
    http,
    ipp,
    llmnr,
    mdns,
    netbios,
    ntp,
    rfb,
    slp,
    smb,
    snmp,
    snmp_objects,
    snmp_strain,
    snmp_supplied,
    snmp_write,
    ssdp,
    ssh,
    tcp,
    telnet,
    tftp,
    tls_ports,
    web,
    ws_discovery,
)
from hardenprobe.probes.certificates import TrustAnchors
from hardenprobe.records import Observation, Reason, State, Vantage
from hardenprobe.scope import is_loopback
from hardenprobe.tap import Tap

log = logging.getLogger("hardenprobe.engine")

DEVICES_AT_ONCE = 32  # of different devices; one device is never asked twice at the same moment
FIRST_TOUCH = (443, 80, 9100, 631)  # silent on all of these, and over SNMP, is nobody

# Asked before the ports are gone through, since a device may answer nothing else; and afterwards, in this order: http
# needs to know where TLS is spoken.
FIRST_PROBES: tuple[Probe, ...] = (snmp.PROBE, snmp_objects.PROBE)
PROBES: tuple[Probe, ...] = (
    telnet.PROBE,
    ssh.GREETING,
    ftp.PROBE,
    ftp_anonymous.PROBE,
    ssh.PROBE,
    tls_ports.PROBE,
    http.PROBE,
    web.PROBE,
    ipp.PROBE,
    smb.PROBE,
    rfb.PROBE,
    mdns.PROBE,
    llmnr.PROBE,
    netbios.PROBE,
    slp.PROBE,
    ws_discovery.PROBE,
    ssdp.PROBE,
    ntp.PROBE,
    tftp.PROBE,
    snmp_supplied.PROBE,
    snmp_strain.PROBE,
    snmp_write.PROBE,
    tls_ports.STRAIN,
)


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
    secrets: Secrets = field(default_factory=Secrets)
    capture: Capture | None = None
    interrupted: bool = False
    why_interrupted: str | None = None
    _stop: asyncio.Event = field(default_factory=asyncio.Event)
    _turns: dict[str, asyncio.Lock] = field(default_factory=dict)

    def stop(self, why: str) -> None:
        """Finish the devices in hand and begin no other."""
        self.interrupted = True
        self.why_interrupted = self.why_interrupted or why
        self._stop.set()

    async def visits(self) -> AsyncIterator[Visit]:
        """Visit every address of the plan from every vantage point, several devices at a time."""
        todo = self.plan.addresses()
        done: asyncio.Queue[Visit | None] = asyncio.Queue(maxsize=DEVICES_AT_ONCE)

        async def work() -> None:
            try:
                for address in todo:
                    for vantage in self.plan.vantages:  # one after the other: it is the same device
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

    def _turn(self, listed: Listed | None) -> asyncio.Lock:
        """Whose turn it is to connect: shared by all addresses of one listed device."""
        return self._turns.setdefault(listed.asset_tag, asyncio.Lock()) if listed else asyncio.Lock()

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
            turn=self._turn(listed),
            tap=Tap(self.capture) if self.capture else None,
        )
        asked = Asked(
            line=line,
            plan=self.plan,
            listed=listed,
            wanted=self.wanted,
            anchors=self.anchors,
            secrets=self.secrets,
        )
        unfinished = crashed = None
        try:
            async with asyncio.timeout(self.plan.timing.seconds):
                await ask_device(asked)
        except ScopeRefused as exc:
            self.stop(str(exc))
            unfinished = str(exc)
        except TimeoutError:
            asked.fault("visit", self.wanted, Reason.CEILING, "the time for one device is used up")
        except CeilingReached as exc:
            asked.fault("visit", self.wanted, Reason.CEILING, str(exc))
        except Exception as exc:  # a bug of ours in one device's visit must not end the scan
            log.exception("visit of %s", address)
            crashed = f"{type(exc).__name__}: {clip(str(exc))}"
            asked.fault("visit", self.wanted, Reason.CRASHED, crashed)
        if line.tap:
            asked.seen[:] = await line.tap.numbered(asked.seen)
        return _visit_of(asked, unfinished, crashed)


def _source(vantage: Vantage, address: str) -> str | None:
    """The source for an address; the system chooses where the vantage point's is of the other family."""
    same = vantage.source is not None and (":" in vantage.source) == (":" in address)
    return vantage.source if same else None


async def ask_device(asked: Asked) -> None:
    """One visit: ports, then what speaks on them, the cheapest and most telling first.

    Raises:
        ScopeRefused, CeilingReached: What was seen until then stands.
    """
    if not await _somebody_there(asked):
        return
    if asked.accepting():
        port = random.choice(_control_ports(asked))
        asked.seen.append((await tcp.look(asked.line, port, control=True, touch_only=True)).seen)
    for probe in PROBES:
        await _run(probe, asked)


def _control_ports(asked: Asked) -> list[int]:
    """Ports of the dynamic range; a lab's offset is taken off, since the door adds it."""
    ports = (port - asked.line.port_offset for port in tcp.CONTROL_PORTS)
    return [port for port in ports if port > 0 and port not in asked.plan.tcp_ports]


async def _somebody_there(asked: Asked) -> bool:
    """Look at every port; False when the first ones and SNMP are all silent."""
    fragile = asked.listed is not None and asked.listed.fragile
    ports = [p for p in asked.plan.tcp_ports if not (fragile and p in RAW_PRINT)]
    first = [p for p in FIRST_TOUCH if p in ports] or ports[:2]
    await _look(asked, first)
    for probe in FIRST_PROBES:
        await _run(probe, asked)
    if not any(_answered(o) for o in asked.seen):
        return False
    await _look(asked, [p for p in ports if p not in asked.heard])
    return True


async def _look(asked: Asked, ports: Iterable[int]) -> None:
    for port in ports:
        heard = await tcp.look(asked.line, port)
        asked.heard[port] = heard
        asked.seen.append(heard.seen)


async def _run(probe: Probe, asked: Asked) -> None:
    if asked.plan.reach.admits(probe.reach) and asked.wants(*probe.produces):
        await probe.run(asked)


def _answered(seen: Observation[Any]) -> bool:
    return getattr(seen.facts, "state", State.SILENT) is not State.SILENT


def _visit_of(asked: Asked, unfinished: str | None, crashed: str | None) -> Visit:
    """What a visit comes to. A bug of ours must not look like silence or refusal."""
    states = {getattr(o.facts, "state", None) for o in asked.seen if not getattr(o.facts, "control", False)}
    # A reset proves a host, but on this machine the kernel resets for addresses that nobody has.
    reset_proves = asked.listed is not None and not is_loopback(asked.line.address)
    proven = State.ACCEPTING in states or (State.REFUSING in states and reset_proves)
    if unfinished or (crashed and not proven):
        outcome = "unfinished"
    elif proven:
        outcome = "answered"
    else:
        outcome = "refused" if State.REFUSING in states else "silent"
    return Visit(
        address=asked.line.address,
        vantage=asked.line.vantage,
        outcome=outcome,
        observations=tuple(asked.seen) if proven else (),  # nobody proven, no device
        cost=asked.line.cost,
        why=unfinished or crashed,
    )
