"""Finds out whether a device is at an address, and what its TCP ports do: the first part of a visit."""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import replace

from hardenprobe.facts import SnmpObjects, TcpPort
from hardenprobe.model import Reason, State
from hardenprobe.planning import local_links
from hardenprobe.planning.plan import Plan
from hardenprobe.probes import tcp
from hardenprobe.probes.base import PortGreeting, Probe, ProbeContext
from hardenprobe.scanning.probe_order import FIRST_PROBES, LISTENING, PROBES
from hardenprobe.scope.ports import RAW_PRINT

MOST_LOOKS = 4  # beside the first, at ports of a device that loses requests
TRIES = 20  # to draw a port that is not planned; where nearly all are, a planned one does
HASTY_GREETING, HASTY_REPLY = 0.3, 1.0  # seconds; for a device that accepts on any port whatever


def first_ports(plan: Plan) -> tuple[int, ...]:
    """The ports of a plan that are tried first: an address that is silent on all of these, and over SNMP, has no device."""
    usual = tuple(port for port in plan.first_ports if port in plan.tcp_ports)
    return usual or plan.tcp_ports[:2]


async def look_at_ports(asked: ProbeContext, plugged: Sequence[Probe], *, expected: bool) -> bool:
    """Look at every port; False when nobody answers.

    Where nobody is expected, silence of the first ports and of SNMP is enough; where somebody is, only the link itself
    can say so. Ports that print come after SNMP, and are left out where the device says that it prints just now, or is
    fragile.

    Raises:
        ScopeRefused, CeilingReached: What was seen until then is kept.
    """
    try:
        return await _look_at_ports(asked, plugged, expected)
    finally:
        put_in_order(asked)


def put_in_order(asked: ProbeContext) -> None:
    """Ports that are waited for side by side answer in any order; what comes after them and the review have the plan's."""
    rank = {port: n for n, port in enumerate(asked.plan.tcp_ports)}
    heard = sorted(asked.heard.items(), key=lambda item: rank.get(item[0], len(rank)))
    asked.heard.clear()
    asked.heard.update(heard)
    looked = sorted(
        asked.of(TcpPort), key=lambda o: rank.get(o.endpoint.port if o.endpoint else 0, len(rank))
    )
    again = iter(looked)
    asked.seen[:] = [next(again) if isinstance(o.facts, TcpPort) else o for o in asked.seen]


async def _look_at_ports(asked: ProbeContext, plugged: Sequence[Probe], expected: bool) -> bool:
    plan = asked.plan
    quiet = [p for p in plan.tcp_ports if p not in RAW_PRINT]
    await _look(asked, first := [p for p in first_ports(plan) if p in quiet])
    if 1 < len(first) == len(asked.accepting()):  # so does whoever accepts everywhere
        await _control(asked)
    for probe in FIRST_PROBES:
        if probe.allowed(plan) and (asked.wants(*probe.produces) or _speaks_later(asked, plugged)):
            await probe.run(asked)
    busy = any(o.facts.printing for o in asked.of(SnmpObjects))
    fragile = asked.listed is not None and asked.listed.fragile
    ports = quiet if busy or fragile else plan.tcp_ports
    if not asked.answered:
        everywhere = expected and not _absent(asked.line.address)
        await _look_beside(asked, ports if everywhere else [p for p in first_ports(plan) if p in ports])
        if not asked.answered:
            return False
    await _look(asked, ports)
    await _look_again(asked)
    await _control(asked)
    return True


async def _look(asked: ProbeContext, ports: Iterable[int]) -> None:
    """A first look at those that have had none, one after the other."""
    for port in ports:
        if port in asked.heard or port in asked.unanswered:
            continue
        with asked.trying("tcp", (TcpPort,), port):
            wait, met = tcp.first_wait(asked.line, len(asked.unanswered)), asked.line.round_trip.smoothed
            heard = await tcp.look_first(asked.line, port, wait)
            if heard is None:
                asked.unanswered[port] = (
                    0.0 if met is None else wait
                )  # the link may have been looking for it till then
            else:
                _note(asked, heard)


async def _look_again(asked: ProbeContext) -> None:
    """A second look at those that have not answered the first.

    Where one answers now that was waited for long enough before, requests are lost: on the way, or since the device bears
    no more of them. It is then asked more slowly, until none answers so any more; what is still silent, while others were
    met by chance, is not taken for filtered.
    """
    line, trip = asked.line, asked.line.round_trip
    waiting = {port: wait for port, wait in asked.unanswered.items() if port not in asked.heard}
    late, looks = False, 0
    while waiting and (late or not looks) and looks < MOST_LOOKS:
        met: list[PortGreeting] = []
        with asked.trying("tcp", (TcpPort,)):
            async for heard in tcp.look_again(line, waiting):
                met.append(heard)
                if heard.seen.facts.state is not State.SILENT:
                    _note(asked, heard)
        answered = [h.port for h in met if h.port in asked.heard]
        late = any(trip.smoothed is not None and waiting[port] > trip.smoothed for port in answered)
        if late and not looks:
            line.turn.easing.signs.append(f"{line.address} answered requests only when it was asked again")
        looks += 1
        silent = [h for h in met if h.port not in asked.heard]
        waiting = {h.port: tcp.AGAIN for h in silent}
        if not late:
            for heard in silent:
                _note(asked, heard)
    for port in waiting if late else ():
        text = f"{line.address} loses requests, and none for {port}/tcp was answered"
        asked.fault("tcp", (TcpPort,), Reason.SILENT, text, line.endpoint(port))


async def _look_beside(asked: ProbeContext, ports: Iterable[int]) -> None:
    """Look at ports of an address that has been silent so far, all of them side by side.

    Where that shows a sign of life, the rest has had its first look.
    """
    silent: list[PortGreeting] = []
    todo = [*(port for port in ports if port not in asked.unanswered), *asked.unanswered]
    try:
        with asked.trying("tcp", (TcpPort,)):
            async for heard in tcp.look_again(asked.line, todo):
                if heard.seen.facts.state is State.SILENT:
                    silent.append(heard)
                else:
                    _note(asked, heard)
    finally:
        if asked.answered:
            asked.unanswered = {heard.port: tcp.AGAIN for heard in silent}
        else:
            for heard in silent:
                _note(asked, heard)


async def _control(asked: ProbeContext) -> None:
    """Look once at a random high port. Whoever accepts there accepts everywhere, and is waited for no longer than needs be."""
    if any(o.facts.control for o in asked.of(TcpPort)) or not asked.accepting():
        return
    port = _control_port(asked)
    heard = None
    with asked.trying("tcp", (TcpPort,), port):
        heard = await tcp.look(asked.line, port, control=True, touch_only=True)
        asked.seen.append(heard.seen)
    if heard and heard.accepting:
        timing = asked.line.timing
        asked.line.timing = replace(
            timing, greeting=min(timing.greeting, HASTY_GREETING), reply=min(timing.reply, HASTY_REPLY)
        )


def _control_port(asked: ProbeContext) -> int:
    """A port of the dynamic range that is not planned; a lab's offset is taken off, since the door adds it."""
    offset, port = asked.line.port_offset, 0
    ports = range(max(tcp.CONTROL_PORTS.start - offset, 1), tcp.CONTROL_PORTS.stop - offset)
    for _ in range(TRIES):
        port = random.choice(ports)
        if port not in asked.plan.tcp_ports:
            break
    return port


def _absent(address: str) -> bool:
    """The link says that nobody has the address. It was asked for seconds by now, three times or more (RFC 4861 section 10)."""
    known = local_links.neighbours().get(address)
    return known is not None and known.resolved is not True


def _speaks_later(asked: ProbeContext, plugged: Iterable[Probe]) -> bool:
    """Something will be said elsewhere, so it must be known before on which ports that would be printed."""
    probes = (*PROBES, *plugged)
    return any(p.allowed(asked.plan) and asked.wants(*p.produces) for p in probes if p not in LISTENING)


def _note(asked: ProbeContext, heard: PortGreeting) -> None:
    asked.heard[heard.port] = heard
    asked.seen.append(heard.seen)
