"""Look at a TCP port: connect, listen for who speaks first, close. Nothing is sent.

Who greets is listened to twice, since a greeting that changes from one connection to the next proves nothing; where the
protocol may be spoken, whoever speaks it hears the second greeting.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator, Iterable

from hardenprobe.errors import Unreachable
from hardenprobe.facts import TcpPort, readable
from hardenprobe.model import State
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.link import DeviceLink
from hardenprobe.network.round_trip import AMBIGUOUS
from hardenprobe.network.stream import Stream
from hardenprobe.probes.base import PortGreeting
from hardenprobe.probes.remote import telnet
from hardenprobe.scope.ports import NEVER_SPEAK

LIMIT = 1024  # bytes of greeting; banners are a line or a screen
BSD = (
    513,
    514,
)  # login and shell close at once on a client whose own port is not below 1024 (RFC 1282 section 2.2)
MORE = 0.15  # seconds to wait for the rest of a greeting that came in pieces
LONGEST = 2.0  # seconds for all of a greeting; a device that drips bytes gets no more
FIRST_LEAST = (
    0.1  # seconds that a first look waits at the least; a device's network is quicker than its services
)
APART = 0.03  # seconds between the attempts of a second look that wait side by side
REPEATED = 0.5  # seconds at the least for an answer to the request that the system has repeated
AGAIN = AMBIGUOUS + REPEATED  # seconds that a second look waits at the least
CONTROL_PORTS = range(49152, 65536)  # the dynamic range of RFC 6335 section 6

_GREETINGS = (
    ("ssh", re.compile(rb"(?:^|\n)SSH-[0-9.]+-")),  # RFC 4253 section 4.2
    ("rfb", re.compile(rb"^RFB \d{3}\.\d{3}\n")),  # RFC 6143 section 7.1.1
    (
        "smtp",
        re.compile(rb"^220[ -][^\r\n]*\bE?SMTP\b", re.IGNORECASE),
    ),  # RFC 5321 section 4.2: 220 and a domain
    ("ftp", re.compile(rb"^(?:120|220|421)[ -]")),  # RFC 959 section 5.4
    ("http", re.compile(rb"^HTTP/1\.[01] \d{3}")),
)


def recognise(greeting: bytes) -> str | None:
    """Name the protocol that a greeting shows beyond doubt, None where it shows none.

    >>> recognise(b"SSH-2.0-x"), recognise(b"220 ready"), recognise(b"hello")
    ('ssh', 'ftp', None)
    """
    for name, pattern in _GREETINGS:
        if pattern.search(greeting):
            return name
    return "telnet" if telnet.speaks(greeting) else None


async def look(
    line: DeviceLink, port: int, *, control: bool = False, touch_only: bool = False
) -> PortGreeting:
    """Connect to a port and listen; twice silent before it counts.

    Args:
        control: The port is the random high one on which nothing should accept, and once is enough.
        touch_only: Close at once; always so for ports that are never spoken to.
    """
    state, tries = State.SILENT, 0
    for tries in (1, 2):
        try:
            stream = await line.connect(port, reserved=port in BSD)
        except Unreachable as exc:
            state = State(exc.state)
            if state is State.SILENT and not control:
                continue
            break
        return await _heard(line, stream, tries, control=control, touch_only=touch_only)
    return _not_heard(line, port, state, tries, control=control)


async def look_first(line: DeviceLink, port: int, wait: float) -> PortGreeting | None:
    """Connect to a port and listen; None where it gives no answer in so many seconds."""
    try:
        stream = await line.connect(port, wait, reserved=port in BSD)
    except Unreachable as exc:
        return None if exc.state == State.SILENT else _not_heard(line, port, State(exc.state), 1)
    return await _heard(line, stream, 1)


async def look_again(line: DeviceLink, ports: Iterable[int]) -> AsyncIterator[PortGreeting]:
    """Look a second time at ports that gave no answer: they wait side by side, and each as long as the system needs to
    repeat its request once. The last comes first, and few come slowly, lest a device that bears little drops the same again.
    """
    todo = list(dict.fromkeys(ports))[::-1]
    least = max(APART, 1 / max(len(todo), 3))
    trip, most = line.round_trip, line.timing.connect
    while todo:
        apart = trip.wait(least, AMBIGUOUS, unknown=least)
        wait = min(most, AMBIGUOUS + trip.wait(REPEATED, most, unknown=REPEATED))
        met = await line.connect_any(todo, apart=apart, wait=wait, reserved=BSD)
        for port, state in met.failed.items():
            yield _not_heard(line, port, State(state), 2)
        if met.stream is not None:
            yield await _heard(line, met.stream, 2)
        done = {*met.failed, met.stream.port if met.stream else None}
        todo = [port for port in todo if port not in done]


def first_wait(line: DeviceLink, unanswered: int) -> float:
    """How long a first look waits: as long as the round trip tells, else shorter once two ports have been silent.

    Whoever is farther away than that is met by the second look, which waits longer.
    """
    unknown = 0.5 if unanswered < 2 else FIRST_LEAST
    return line.round_trip.wait(FIRST_LEAST, line.timing.connect, unknown=unknown)


async def _heard(
    line: DeviceLink, stream: Stream, tries: int, *, control: bool = False, touch_only: bool = False
) -> PortGreeting:
    port = stream.port
    async with stream:
        greeting, closed = b"", False
        if not touch_only:
            # A raw print port never speaks, so a short wait is enough to see it close on us.
            wait = MORE if port in NEVER_SPEAK else _patience(line, port)
            greeting, closed = await _listen(stream, wait)
        recorders, reserved = [stream.recorder], stream.reserved
    protocol, changes = recognise(greeting) if greeting else None, False
    if protocol not in (None, "telnet") and not line.speaks(port, protocol) and port not in NEVER_SPEAK:
        again, recorder = await _greeting_again(line, port)
        recorders += [recorder] if recorder else []
        if changes := bool(again) and recognise(again) != protocol:
            greeting, protocol = (again, "telnet") if recognise(again) == "telnet" else (greeting, None)
    facts = TcpPort(
        state=State.ACCEPTING,
        greeting=readable(greeting),
        speaks=protocol,
        changes=changes,
        closed=closed,
        reserved=reserved,
        tries=tries,
        control=control,
    )
    where = line.endpoint(port, protocol=protocol)
    return PortGreeting(line.observation(facts, where, *recorders), greeting)


def _not_heard(
    line: DeviceLink, port: int, state: State, tries: int, *, control: bool = False
) -> PortGreeting:
    facts = TcpPort(state=state, tries=tries, control=control)
    return PortGreeting(line.observation(facts, line.endpoint(port)), b"")


async def _greeting_again(line: DeviceLink, port: int) -> tuple[bytes, Recorder | None]:
    """What a second connection is greeted with, b"" where none is made or nothing is said."""
    try:
        stream = await line.connect(port)
    except Unreachable:
        return b"", None
    async with stream:
        greeting, _ = await _listen(stream, line.timing.greeting)
        return greeting, stream.recorder


def _patience(line: DeviceLink, port: int) -> float:
    """How long to wait for a greeting: briefly where the client is meant to speak first and may."""
    client_first = {"http", "tls", "ldap", "smb", "llmnr"} & set(line.may_speak.get(port, ()))
    return min(0.25, line.timing.greeting) if client_first else line.timing.greeting


async def _listen(stream: Stream, wait: float) -> tuple[bytes, bool]:
    """Read a greeting, and whether the peer closed without one."""
    greeting = b""
    clock = asyncio.get_running_loop().time
    until = clock() + wait + LONGEST
    while len(greeting) < LIMIT and clock() < until:
        try:
            piece = await stream.receive(LIMIT - len(greeting), MORE if greeting else wait)
        except Unreachable as exc:
            return greeting, exc.state == "closed" and not greeting
        if not piece:
            return greeting, not greeting
        greeting += piece
    return greeting, False
