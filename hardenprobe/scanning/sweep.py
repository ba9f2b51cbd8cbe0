"""The first touch: who of many addresses is there at all, before anybody is asked more.

An address gets one connection at a time, closed by reset with nothing said, and one SNMP engine discovery (RFC 3414
section 4), which needs no secret. At the first sign of life, an accepted connection, a reset or a reply, the address is
left alone. All this shares one deadline, `Pace.wait`, T for short:

    at 0     the first port; its connection stays open until T/2
    at T/8   the SNMP discovery, so that a device that accepts promptly never gets it
    at T/2   the SNMP discovery again, and the second port
    then     the other ports in turn, in equal parts of the second half

With each discovery goes an ICMP echo request (RFC 792, RFC 4443), where the system lets this user send one. An answer says
that somebody has the address, and no more.

A silent address so costs T in all, not T for each port. A lost connection request is not repeated on the same port: the
next port's is the repetition. What speaks only SNMP version 1 or 2c, on a device whose first ports are all dropped by a
filter, is not seen.

Sockets are raw and watched by one poller inside the running event loop: a coroutine and a timer for each connection
would cost more than the connection. All addresses wait equally long at a step, so a queue for each step is in order of
time and there is no heap.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import socket
import struct
import time
from collections import deque
from collections.abc import AsyncGenerator, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import chain, pairwise
from typing import TYPE_CHECKING, Literal, NamedTuple, Protocol

from hardenprobe.model import Cost, State
from hardenprobe.network import audit_hook, sweep_sockets
from hardenprobe.network import echo as echoes
from hardenprobe.network.echo import Echo
from hardenprobe.network.rate_limit import Rate
from hardenprobe.network.sweep_sockets import (
    WRITABLE,
    Discovery,
    Poller,
    Sleeper,
    descriptors,
    poller,
    stream_socket,
)
from hardenprobe.probes.snmp.agent import encode_discovery
from hardenprobe.scope.ports import FIRST_PORTS, RAW_PRINT

if TYPE_CHECKING:
    from hardenprobe.network.capture.socket_tap import SweepTap

SNMP = 161

BATCH = 512  # touches that may wait to be taken before no further address is begun
SLICE = 0.005  # seconds of work before other tasks get their turn
LONGEST_NAP = 0.25  # seconds; hour and stop file are looked at as often
QUICK = 0.01  # seconds; a nap while packets have to be earned, or sockets or a place for touches to be had
OVER = 0.0
ACCEPTING, REFUSING, SILENT = State.ACCEPTING, State.REFUSING, State.SILENT
_RESET = struct.pack("ii", 1, 0)
_CROWDED = {errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM, errno.EADDRINUSE}
_REFUSED = {errno.ECONNREFUSED, errno.ECONNRESET}
_NO_WAY = {
    errno.ENETUNREACH,
    errno.ENETDOWN,
    errno.EADDRNOTAVAIL,
}  # where connect says so at once, it is this machine
_UNDER_WAY = {errno.EINPROGRESS, getattr(errno, "WSAEWOULDBLOCK", errno.EINPROGRESS)}


class Bounds(Protocol):
    """What a sweep asks of the scope. `scope.Scope` is one."""

    def check_address(self, address: str) -> None:
        """Raise ScopeRefused where the address is not granted."""

    def check_now(self) -> None:
        """Raise ScopeRefused where the hour or the stop file forbids."""


@dataclass(frozen=True, kw_only=True)
class Pace:
    """How gently.

    Attributes:
        wait: Seconds, the deadline of one address.
        rate: Of connections and datagrams, over all addresses and whatever else the scan does.
        in_flight: Addresses in progress at one time. Half the process's file descriptors is the most.
    """

    wait: float = 2.0
    rate: Rate = field(default_factory=lambda: Rate(1000.0))
    in_flight: int = 1024


class Touch(NamedTuple):
    """What became of one address.

    Attributes:
        state: accepting or refusing as the first sign of life said, silent where none came.
        port, transport: Where that sign came from; None where it is silent.
        tried: The TCP ports that were connected to, in turn.
        seconds: From the first packet to the end.
        asked: False where this machine lost its way to the address meanwhile, or had no room for a packet: silence says nothing.
        routed: False where this machine had no way to the address from the beginning.
        echoed: It answered an ICMP echo request.
    """

    address: str
    state: State
    port: int | None
    transport: Literal["tcp", "udp"] | None
    tried: tuple[int, ...]
    datagrams: int
    bytes_sent: int
    bytes_received: int
    seconds: float
    asked: bool = True
    routed: bool = True
    echoed: bool = False

    @property
    def cost(self) -> Cost:
        return Cost(
            connections=len(self.tried),
            datagrams=self.datagrams,
            bytes_sent=self.bytes_sent,
            bytes_received=self.bytes_received,
            seconds=round(self.seconds, 6),
        )


class Step:
    """One act on the way of an address, and the queue of those who wait after it.

    Attributes:
        port: To connect to, None to leave the last connection as it is; `door` is the real one behind a lab's offset.
        datagram: Send the discovery.
        wait: Seconds until the next step.
        tried: The ports that have been connected to after this step.
    """

    __slots__ = ("datagram", "door", "next", "port", "tried", "wait", "waiting")

    def __init__(
        self, port: int | None, door: int, datagram: bool, wait: float, tried: tuple[int, ...]
    ) -> None:
        self.port = port
        self.door = door
        self.datagram = datagram
        self.wait = wait
        self.tried = tried
        self.next: Step | None = None
        self.waiting: deque[_Attempt] = deque()


class _Attempt:
    """An address in progress; `due` is when its next step is, OVER where it has a result."""

    __slots__ = (
        "address", "began", "datagrams", "due", "echoed", "lost", "message_id", "octets", "routed", "sent", "sock", "step", "v6",
    )  # fmt: skip

    def __init__(self, address: str, step: Step, began: float) -> None:
        self.address = address
        self.began = began
        self.v6 = ":" in address
        self.due = OVER
        self.sock: socket.SocketType | None = None
        self.datagrams = self.octets = 0
        self.echoed = False
        self.message_id = 0
        self.step = step
        self.sent = False  # a connection was under way
        self.lost = False
        self.routed = True


async def sweep(
    addresses: Iterable[str],
    bounds: Bounds,
    *,
    ports: Sequence[int] = FIRST_PORTS,
    snmp: bool = True,
    source: str | None = None,
    port_offset: int = 0,
    pace: Pace | None = None,
    tap: SweepTap | None = None,
    echo: bool = False,
) -> AsyncGenerator[Touch]:
    """Touch every address once and tell what became of it, in order of completion.

    Nothing grows with the number of addresses: they are drawn as they are needed, and no address is begun while nobody
    takes the touches. Use `contextlib.aclosing` where iteration may end early: it closes every connection at once.

    Args:
        addresses: Each once; see order.VisitOrder.
        ports: First ports, in turn; raw print ports are tried last.
        source: Our own address, for addresses of its family.
        port_offset: Added to every port at the door; only a lab has one.
        tap: Is told of every socket while the scan is captured.
        echo: Send ICMP echo requests beside the SNMP discoveries, where that is permitted; never under a capture.

    Raises:
        ScopeRefused: An address, the hour or the stop file; what was in progress is dropped and not reported.
    """
    raw_last = sorted(dict.fromkeys(ports), key=lambda port: port in RAW_PRINT)
    run = _Sweep(addresses, bounds, raw_last, snmp, source, port_offset, pace or Pace(), tap, echo)
    task = asyncio.create_task(run.drive())
    try:
        while batch := await run.out.get():  # an empty one is the end
            for touch in batch:
                yield touch
        await task
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def steps(ports: Sequence[int], snmp: bool, wait: float, port_offset: int = 0) -> list[Step]:
    """The way of one address; see the module's description. Without ports and SNMP it ends at once."""
    rest = wait / 2 / max(1, len(ports) - 1)
    if snmp and ports:
        acts = [(ports[0], False, wait / 8), (None, True, wait * 3 / 8)]
        acts += [(port, not i, rest) for i, port in enumerate(ports[1:])] or [(None, True, rest)]
    elif snmp:
        acts = [(None, True, wait / 2), (None, True, wait / 2)]
    elif len(ports) == 1:
        acts = [(ports[0], False, wait)]
    else:
        acts = [(port, False, rest if i else wait / 2) for i, port in enumerate(ports)] or [(None, False, 0)]
    made: list[Step] = []
    tried: tuple[int, ...] = ()
    for port, datagram, seconds in acts:
        tried = tried if port is None else (*tried, port)
        made.append(Step(port, (port or 0) + port_offset, datagram, seconds, tried))
    for step, after in pairwise(made):
        step.next = after
    return made


class _Sweep:
    """One sweep at work: what is in progress, and what is reported."""

    def __init__(
        self,
        addresses: Iterable[str],
        bounds: Bounds,
        ports: Sequence[int],
        snmp: bool,
        source: str | None,
        port_offset: int,
        pace: Pace,
        tap: SweepTap | None,
        echo: bool,
    ) -> None:
        self.out: asyncio.Queue[list[Touch]] = asyncio.Queue(maxsize=4)
        self._todo: Iterator[str] | None = iter(addresses)
        self._bounds = bounds
        self._sources = {v6: source if source and (":" in source) == v6 else None for v6 in (False, True)}
        self._offset = port_offset
        self._most = max(1, min(pace.in_flight, descriptors() // 2))
        self._steps = steps(ports, snmp, pace.wait, port_offset)
        self._doors = frozenset(
            {0, *(port + port_offset for port in (*ports, SNMP))}
        )  # 0: an echo has no port
        self._in_hand: dict[str, _Attempt] = {}
        self._lost = False  # a way that was there
        self._connecting: dict[int, _Attempt] = {}
        self._done: list[Touch] = []
        self._rate = pace.rate
        self._checked = 0.0
        self._crowded = False
        self._tap = tap
        self._poller: Poller
        self._echo: Echo | None = None
        self._wants_echo = echo and tap is None  # a capture knows sockets with ports alone
        self._discovery: Discovery

    async def drive(self) -> None:
        """Work until all addresses are through; an empty batch is the end."""
        try:
            with ExitStack() as stack:
                own = filter(None, self._sources.values())
                callers = {__name__, sweep_sockets.__name__, echoes.__name__}
                stack.enter_context(
                    audit_hook.granted_many(self._in_hand, self._doors, modules=callers, sources=tuple(own))
                )
                self._poller = stack.enter_context(contextlib.closing(poller()))
                stack.callback(self._drop_all)
                sleeper = stack.enter_context(contextlib.closing(Sleeper(self._poller)))
                self._discovery = stack.enter_context(
                    contextlib.closing(
                        Discovery(
                            self._sources, SNMP + self._offset, self._poller, encode_discovery, self._tap
                        )
                    )
                )
                if self._wants_echo:
                    self._echo = stack.enter_context(contextlib.closing(Echo(self._sources, self._poller)))
                while self._todo is not None or self._in_hand:
                    idle = self._round()
                    if self._done and not self.out.full():
                        self.out.put_nowait(self._done)
                        self._done = []
                    await sleeper.sleep(idle)
        except asyncio.CancelledError:
            raise  # no one takes touches any more
        except BaseException:
            await self._end()
            raise
        await self._end()

    async def _end(self) -> None:
        if self._done:
            await self.out.put(self._done)
        await self.out.put([])

    def _drop_all(self) -> None:
        for attempt in self._in_hand.values():
            self._hang_up(attempt)
        if self._tap:
            self._tap.end()

    def _round(self) -> float:
        """Do what there is to do; return how many seconds there will be nothing."""
        now = time.monotonic()
        if now - self._checked > LONGEST_NAP:
            self._bounds.check_now()
            self._checked = now
        self._rate.refill(now)
        self._crowded = False
        self._hear(now)
        self._go_on(now)
        return 0.0 if self._begin(now + SLICE) else self._idle(now)

    def _idle(self, now: float) -> float:
        """How long to sleep: until the next step is due, briefly where something else holds the sweep up."""
        if not self._rate.free or self._crowded or len(self._done) >= BATCH:
            return QUICK
        due = min((step.waiting[0].due for step in self._steps if step.waiting), default=now + LONGEST_NAP)
        return min(max(due - now, 0.001), LONGEST_NAP)

    def _hear(self, now: float) -> None:
        """Take what has come since the last round, before anything is held to be late."""
        connecting = self._connecting
        for descriptor, _ in self._poller.ready():
            attempt = connecting.pop(descriptor, None)
            if attempt is None:
                self._hear_datagrams(descriptor, now)
            elif (sock := attempt.sock) is not None:
                attempt.sock = None
                self._poller.forget(descriptor)
                self._connected(attempt, sock, sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR), now)

    def _hear_datagrams(self, descriptor: int, now: float) -> None:
        if descriptor not in self._discovery.descriptors:
            for address in self._echo.receive(descriptor) if self._echo else ():
                if attempt := self._in_hand.get(address):
                    attempt.echoed = True
            return
        for address, message_id, size in self._discovery.receive(descriptor):
            attempt = self._in_hand.get(address)
            if attempt is None or not attempt.datagrams or message_id not in (None, attempt.message_id):
                continue
            self._hang_up(attempt)
            state = REFUSING if message_id is None else ACCEPTING
            self._finish(attempt, state, SNMP, "udp", size, now)

    def _connected(self, attempt: _Attempt, sock: socket.SocketType, number: int, now: float) -> None:
        """A connection came to something. What only a router or our own system says is silence."""
        if not number:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
        sock.close()
        self._closed(attempt)
        if not number:
            self._finish(attempt, ACCEPTING, attempt.step.tried[-1], "tcp", 0, now)
        elif number in _REFUSED:
            self._finish(attempt, REFUSING, attempt.step.tried[-1], "tcp", 0, now)

    def _note_no_way(self, attempt: _Attempt) -> None:
        """This machine has no way to an address; if it had one, whatever is in progress may have been swallowed with it."""
        if attempt.sent:
            self._lost = True
            for other in self._in_hand.values():
                other.lost = True
        attempt.lost = attempt.lost or self._lost
        attempt.routed = attempt.sent

    def _hang_up(self, attempt: _Attempt) -> None:
        """Close the connection that an address still has."""
        sock = attempt.sock
        if sock is not None:
            attempt.sock = None
            del self._connecting[sock.fileno()]
            self._poller.forget(sock.fileno())
            with contextlib.suppress(OSError):
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
            sock.close()
            self._closed(attempt)

    def _closed(self, attempt: _Attempt) -> None:
        if self._tap:
            self._tap.closed(attempt.address, "tcp")

    def _finish(
        self,
        attempt: _Attempt,
        state: State,
        port: int | None,
        transport: Literal["tcp", "udp"] | None,
        received: int,
        now: float,
    ) -> None:
        del self._in_hand[attempt.address]
        attempt.due = OVER
        datagrams = attempt.datagrams
        if self._tap:
            self._tap.closed(attempt.address, "udp")
        self._done.append(
            Touch(
                attempt.address,
                state,
                port,
                transport,
                attempt.step.tried,
                datagrams,
                attempt.octets,
                received,
                now - attempt.began,
                not attempt.lost,
                attempt.routed,
                attempt.echoed,
            )
        )

    def _go_on(self, now: float) -> None:
        """Take the next step with those whose wait is over, in order of time."""
        for step in self._steps:
            waiting = step.waiting
            while waiting and (attempt := waiting[0]).due <= now:
                if attempt.due == OVER:
                    waiting.popleft()
                elif step.next is None:
                    waiting.popleft()
                    self._hang_up(attempt)
                    self._finish(attempt, SILENT, None, None, 0, now)
                elif not self._rate.free or not self._act(attempt, step.next, now):
                    return
                else:
                    waiting.popleft()

    def _begin(self, until: float) -> bool:
        """Begin with addresses; True where the time, and nothing else, was too short for more."""
        todo, in_hand, done, most, clock = self._todo, self._in_hand, self._done, self._most, time.monotonic
        first = self._steps[0]
        while todo is not None and self._rate.free and len(in_hand) < most and len(done) < BATCH:
            now = clock()
            if now > until:
                return True
            address = next(todo, None)
            if address is None:
                self._todo = None
                break
            in_hand[address] = attempt = _Attempt(address, first, now)
            if not self._act(attempt, first, now):
                del in_hand[address]
                self._todo = chain([address], todo)
                break
        return False

    def _act(self, attempt: _Attempt, step: Step, now: float) -> bool:
        """Take one step; False where there is no socket to be had just now, and nothing was done."""
        address = attempt.address
        self._bounds.check_address(address)
        sock = None
        if step.port is not None:
            self._hang_up(attempt)
            try:
                sock = stream_socket(attempt.v6, self._sources[attempt.v6], self._tap is not None)
            except OSError as exc:
                if exc.errno in _CROWDED:
                    self._crowded = True
                    return False
        attempt.step = step
        if step.datagram:
            self._rate.take()
            attempt.message_id = attempt.message_id or self._discovery.new_id()
            attempt.datagrams += 1
            attempt.octets += self._discovery.size
            if not self._discovery.send(address, attempt.v6, attempt.message_id):
                attempt.lost = True  # as its connection requests may be, of which the system does not tell
            if self._echo and self._echo.send(address, attempt.v6):
                self._rate.take()
                attempt.datagrams += 1
                attempt.octets += self._echo.size
        if sock is not None:
            self._rate.take()
            if self._tap:
                self._tap.begin("tcp", (address, step.door), sock.getsockname())
            try:
                number = sock.connect_ex((address, step.door))
            except BaseException:
                sock.close()
                raise
            if number in _NO_WAY:
                self._note_no_way(attempt)
            if number in _UNDER_WAY:
                attempt.sent = True
                attempt.sock = sock
                descriptor = sock.fileno()
                self._connecting[descriptor] = attempt
                self._poller.watch(descriptor, WRITABLE)
            else:
                self._connected(attempt, sock, number, now)
                if address not in self._in_hand:
                    return True
        attempt.due = now + step.wait
        step.waiting.append(attempt)
        return True
