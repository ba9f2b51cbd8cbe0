"""The only door to the network.

Everything that leaves goes through a `DeviceLink`: one device address from one vantage point. A line connects one stream at
a time, pauses between, counts what it costs, keeps the transcript, refuses to speak where speaking is not granted, and
stops at the device's ceiling. The scope is asked before every connection, so that a window's end or a stop file holds
within one exchange, and within a second while bytes keep coming.
"""

from __future__ import annotations

import asyncio
import errno
import math
import socket
import struct
import time
from collections import Counter, deque
from collections.abc import AsyncIterator, Callable, Container, Iterable, Iterator, Mapping
from contextlib import ExitStack, asynccontextmanager, contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from hardenprobe.errors import CeilingReached, LocalFault, MayNotSpeak, Unreachable
from hardenprobe.model import Cost, Endpoint, Exchange, Observation
from hardenprobe.model.transcript import EXCHANGES, Recorder, observation
from hardenprobe.network import audit_hook
from hardenprobe.network.budget import LIMITED, DeviceBudget
from hardenprobe.network.rate_limit import Rate
from hardenprobe.network.round_trip import RoundTrip
from hardenprobe.network.sockets import (
    account,
    bind_reserved,
    connect,
    family,
    receive_datagram,
    report_unreachable,
    source_address,
)
from hardenprobe.network.stream import Stream
from hardenprobe.network.sweep_sockets import descriptors
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.ports import MAY_SPEAK, NEVER_SPEAK

if TYPE_CHECKING:
    from hardenprobe.network.capture.socket_tap import Tap

F = TypeVar("F")

SIDE_BY_SIDE = 64  # attempts that may wait at one device; it answers none of them, so they cost it nothing
FILES = (
    4096  # that a scan would have open at most: half of them for attempts of its devices, half for its sweep
)
DATAGRAM_LEAST = 0.35  # seconds; what a service behind a port may need by itself
MUTE_AFTER = 0.9  # seconds in vain after which a port counts as mute
MUTE_PORT, MUTE_DEVICE = 0.3, 1.0  # seconds that a mute port, and another one of a mute device, is waited for
ASK_AGAIN = 1.0  # seconds after which the scope is asked again in the middle of an exchange
_LOCAL = frozenset(
    {errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM, errno.EADDRNOTAVAIL, errno.ENETDOWN}
)
_RESET = struct.pack("ii", 1, 0)  # SO_LINGER: close by reset, so that no port is left waiting on either side


class Permit(Protocol):
    """What a line asks of the scope. `scope.Scope` is one."""

    def check(self, address: str) -> None:
        """Raise ScopeRefused where the address, the hour or the stop file forbids."""


@dataclass(eq=False, kw_only=True)
class DeviceLink:
    """One device address, from one vantage point.

    Attributes:
        address: Literal address; no name is looked up here.
        may_speak: Port to the protocols that may be spoken unasked; see scope/ports.py.
        never_speak: Outranks it: the ports that print what they receive, those that the device itself reports among them.
        port_offset: Added to every port at the door; only a lab has one.
        source: Our own address, None to let the system choose.
        cost: What has been spent so far.
        turn: Shared by the lines to one device; the ceilings hold for what it has spent.
        rate: Shared by everything that a scan sends.
        tap: Learns of every socket while the scan is captured.
        round_trip: Measured at every connection.
        share: What this line may spend of the device's limits; None where it may spend all of them.
    """

    address: str
    permit: Permit
    vantage: str = "here"
    source: str | None = None
    timing: Timing = field(default_factory=Timing)
    may_speak: Mapping[int, frozenset[str]] = field(default_factory=lambda: MAY_SPEAK)
    never_speak: frozenset[int] = NEVER_SPEAK
    port_offset: int = 0
    cost: Cost = field(default_factory=Cost)
    turn: DeviceBudget = field(default_factory=DeviceBudget)
    rate: Rate = field(default_factory=lambda: Rate(None))
    tap: Tap | None = None
    round_trip: RoundTrip = field(default_factory=RoundTrip)
    share: Cost | None = None
    _last: float = 0.0
    _allowed: float = 0.0
    _open: Stream | None = None
    _over: bool = False
    _finished: bool = False
    _mute: Counter[int] = field(default_factory=Counter)
    _heard: bool = False
    _failed: list[tuple[int, Recorder]] = field(
        default_factory=list
    )  # connections that no observation has yet
    _reached: bool = False
    _beside: bool = False  # datagrams wait side by side
    _had_way: bool | None = None  # at the first question; None before it

    def __post_init__(self) -> None:
        self.turn.cost += self.cost

    def own_address(self) -> str | None:
        """The source address of the scan: the given one, else what the route says; None without a route. Nothing is sent."""
        return self.source or source_address(self.address)

    def _has_way(self) -> bool:
        """Whether this machine has a route to the device just now; nothing is sent."""
        return source_address(self.address, self.source) is not None

    def _lost(self) -> bool:
        """Whether the way there was lost since the first question, as when an interface goes down: no silence of the device."""
        return self._had_way is True and not self._has_way()

    def patience(self, port: int, wait: float) -> float:
        """How long a reading of a port may wait, in seconds: less where it took its time before and said nothing.

        A device of which two ports were silent so, and that has said nothing over TCP at all, is taken at its word.

        Args:
            wait: What the question would allow.
        """
        if self._mute[port]:
            return min(wait, MUTE_PORT)
        return min(wait, MUTE_DEVICE) if len(self._mute) > 1 and not self._heard else wait

    def speaks(self, port: int, protocol: str) -> bool:
        """Tell whether `protocol` may be spoken to `port` unasked."""
        return port not in self.never_speak and protocol in self.may_speak.get(port, ())

    def _require(self, port: int, protocol: str) -> None:
        """Raise MayNotSpeak where `protocol` may not be spoken to `port` unasked; it says how a probe is granted a port."""
        if self.speaks(port, protocol):
            return
        text = f"{port}/tcp of {self.address} is not on the may-speak list for {protocol}"
        if port not in self.never_speak:
            text += f"; a probe of your own names it: tcp_ports={{{port}: {protocol!r}}}"
        raise MayNotSpeak(text, self.address)

    def spare(self, name: str) -> int:
        """What is left of one of the device's limits, less what is kept back for its other addresses.

        Args:
            name: A field of Cost.
        """
        return self.turn.spare(name, self.timing, self.address, self.cost, self._finished)

    def finish(self) -> None:
        """Our own probes have finished with this address."""
        if not self._finished:
            self._finished = True
            self.turn.waiting.discard(self.address)
            self.turn.finished += self.cost

    @contextmanager
    def shared(self, parts: int, may_speak: Mapping[int, frozenset[str]]) -> Iterator[DeviceLink]:
        """A line for one of several that may spend the same each of what is left to the device; it ends with the block.

        Args:
            parts: How many of them are still to come.
        """
        share = Cost(**{name: math.ceil(self.spare(name) / parts) for name in LIMITED})
        line = replace(self, may_speak=may_speak, cost=Cost(), share=share, _failed=[])
        try:
            yield line
        finally:
            line._over = True
            if line._open is not None:
                line._open.close()
            self.cost += line.cost
            if self._finished:
                self.turn.finished += line.cost
            self._last = line._last

    def allow(self, port: int, protocol: str) -> None:
        """Grant a protocol at a port that has answered in it; a port that is never spoken to stays one."""
        words = self.may_speak.get(port, frozenset()) | {protocol}
        self.may_speak = {**self.may_speak, port: words}

    async def connect(self, port: int, wait: float | None = None, *, reserved: bool = False) -> Stream:
        """Connect once. Use the stream as a context manager: it holds the device's only place.

        Args:
            wait: Seconds; the connect time of the line's timing by default.
            reserved: From a port below 1024, where this process may; the stream says whether it was one.

        Raises:
            ScopeRefused: Address, hour or stop file forbid it; nothing was sent.
            CeilingReached: The device has been asked enough.
            Unreachable: state "refusing" or "silent".
            LocalFault: This machine cannot connect.
        """
        await self.turn.lock.acquire()
        try:
            await self._admit(Cost(connections=1))
            self._open = await self._connected(port, self.timing.connect if wait is None else wait, reserved)
            return self._open
        except Unreachable as exc:
            self.turn.easing.unreachable(self.address, port, exc.state)
            self._closed()
            self.turn.lock.release()
            raise
        except BaseException:
            self._closed()
            self.turn.lock.release()
            raise

    async def connect_any(
        self, ports: Iterable[int], *, apart: float, wait: float, reserved: Container[int] = ()
    ) -> AnyPort:
        """Connect to the first of several ports that accepts; those that do not answer wait side by side.

        Only one connection is ever held: once a port accepts, the others are given up, and nothing is told of them.

        Args:
            apart: Seconds between two attempts while the one before has not answered.
            wait: Seconds for each of them.
            reserved: Ports that are asked from one below 1024, as for `connect`.

        Raises:
            ScopeRefused: As for `connect`.
            CeilingReached: As for `connect`; before any port was asked.
        """
        todo, failed = deque(ports), dict[int, str]()
        waiting: dict[asyncio.Task[Stream], int] = {}
        opened: Stream | None = None
        # A capture knows which socket spoke last, and no other.
        most = (
            1
            if self.tap
            else max(1, min(SIDE_BY_SIDE, descriptors(FILES) // 2 // self.timing.devices_at_once))
        )
        await self.turn.lock.acquire()
        try:
            while opened is None and (todo or waiting):
                room = bool(todo) and len(waiting) < most
                if room:
                    try:
                        await self._admit(Cost(connections=1))
                    except CeilingReached:
                        if not failed and not waiting:
                            raise
                        todo.clear()
                        continue
                    port = todo.popleft()
                    waiting[asyncio.create_task(self._connected(port, wait, port in reserved))] = port
                more = bool(todo) and len(waiting) < most
                done, _ = await asyncio.wait(
                    waiting, timeout=apart if more else None, return_when=asyncio.FIRST_COMPLETED
                )
                for task in done:
                    port = waiting[task]
                    try:
                        stream = task.result()
                    except Unreachable as exc:
                        self.turn.easing.unreachable(self.address, port, exc.state)
                        self._closed()
                        failed[port] = exc.state
                        del waiting[task]
                    else:
                        if opened is None:
                            opened = stream
                            del waiting[task]
        finally:
            await self._give_up(waiting)
            if opened is None:
                self.turn.lock.release()
        self._open = opened
        return AnyPort(stream=opened, failed=failed)

    async def _give_up(self, waiting: Iterable[asyncio.Task[Stream]]) -> None:
        """Close what still waits; one that has been accepted at the very same moment is reset."""
        tasks = list(waiting)
        for task in tasks:
            task.cancel()
        for late in await asyncio.gather(*tasks, return_exceptions=True):
            if isinstance(late, Stream):
                late.drop()

    async def _connected(self, port: int, wait: float, reserved: bool) -> Stream:
        real = port + self.port_offset
        recorder = Recorder()
        sock = self._socket(socket.SOCK_STREAM)
        sock.setblocking(False)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
        there = (self.address, real)

        def failed(outcome: str | OSError, says: str, state: str) -> Unreachable:
            recorder.socket = account(sock, there, outcome, time.monotonic() - recorder.began)
            self._failed.append((port, recorder))
            sock.close()
            return Unreachable(f"{self.address} {port}/tcp{says}", state)

        try:
            with audit_hook.granted(sock, self.address, real, self.source):
                reserved = reserved and bind_reserved(sock, self.source or "")
                # A capture must know our port before the first packet leaves.
                if not reserved and (self.source or self.tap):
                    sock.bind((self.source or "", 0))
                if self.tap:
                    self.tap.begin(recorder, "tcp", port, there, sock.getsockname())
                await connect(sock, there, wait)
        except TimeoutError:
            if fault := self._own_fault():
                sock.close()
                raise fault from None
            raise failed("timed out", " is silent", "silent") from None
        except ConnectionRefusedError as exc:
            self._reached = True
            self.round_trip.note(time.monotonic() - recorder.began)
            raise failed(exc, " refuses", "refusing") from None
        except ConnectionResetError:
            pass  # it accepted, and reset before we looked; the first read says so
        except ConnectionError as exc:
            raise failed(exc, f": {exc.strerror}", "refusing") from None
        except OSError as exc:
            if fault := self._own_fault(exc):
                sock.close()
                raise fault from None
            # Host or network unreachable: a router or our own stack said so, which is no word of the device.
            raise failed(exc, f": {exc.strerror}", "silent") from None
        except BaseException:
            sock.close()
            raise
        self.round_trip.note(time.monotonic() - recorder.began)
        recorder.socket = account(sock, there, "connected", time.monotonic() - recorder.began)
        self._reached = True
        self.turn.easing.accepted(self.address, port, sock)
        return Stream(self, port, sock, recorder, reserved)

    @asynccontextmanager
    async def side_by_side(self) -> AsyncIterator[None]:
        """Let questions of the block wait side by side, at a device that has answered nothing so far; under a capture, which
        knows which socket spoke last and no other, they still go one after the other.
        """
        if self.tap:
            yield
            return
        async with self.turn.lock:
            self._beside = True
            try:
                yield
            finally:
                self._beside = False

    async def ask(
        self,
        port: int,
        datagram: bytes,
        *,
        secrets: Iterable[bytes] = (),
        hide: Callable[[bytes], bytes] | None = None,
        tries: int = 2,
        wait: float | None = None,
        any_port: bool = False,
    ) -> Answer:
        """Send one datagram and wait for one reply.

        Args:
            secrets: Byte strings to star in the transcript.
            hide: Makes of a reply what the transcript may keep, as long as the reply.
            tries: How often to send; one retransmission by default.
            any_port: Take a reply from any port of the same address, as TFTP (RFC 1350 section 4) and some discovery
                services answer.

        Raises:
            ScopeRefused, CeilingReached: As for `connect`.
        """
        recorder = Recorder()
        for secret in secrets:
            recorder.mask(secret)
        real = port + self.port_offset
        there = (self.address, real)
        loop = asyncio.get_running_loop()
        async with nullcontext() if self._beside else self.turn.lock:
            with self._socket(socket.SOCK_DGRAM) as sock, ExitStack() as stack:
                sock.setblocking(False)
                stack.enter_context(audit_hook.granted(sock, self.address, real, self.source))
                try:
                    if self.source or self.tap:
                        sock.bind((self.source or "", 0))
                    report_unreachable(sock)
                    if not any_port:
                        sock.connect(there)
                except OSError as exc:  # no way there from this source: our own stack said so, not the device
                    if fault := self._own_fault(exc):
                        raise fault from None
                    recorder.socket = account(sock, there, exc, 0.0)
                    return Answer(state="silent", data=b"", recorder=recorder)

                def told(outcome: str | OSError) -> None:
                    recorder.socket = account(sock, there, outcome, time.monotonic() - recorder.began)

                if self.tap:
                    self.tap.begin(recorder, "udp", port, there, sock.getsockname(), any_port)
                    stack.callback(self._closed)
                for sent in range(tries):
                    await self._admit(Cost(datagrams=1))
                    began = time.monotonic()
                    try:
                        if any_port:
                            await loop.sock_sendto(sock, datagram, there)
                        else:
                            await loop.sock_sendall(sock, datagram)
                        recorder.note("sent", datagram)
                        self.charge(Cost(bytes_sent=len(datagram)))
                        limit = self.round_trip.wait(DATAGRAM_LEAST, self.timing.reply / tries)
                        reply = await receive_datagram(sock, self.address, wait or limit)
                    except TimeoutError:
                        if fault := self._own_fault():
                            raise fault from None
                        told("no answer")
                        continue
                    except ConnectionRefusedError as exc:
                        told(exc)
                        return Answer(state="refusing", data=b"", recorder=recorder)
                    except OSError as exc:
                        if fault := self._own_fault(exc):
                            raise fault from None
                        told(exc)
                        continue
                    if not sent:  # a later reply may be to either (RFC 6298 section 3)
                        self.round_trip.note(time.monotonic() - began)
                    told("answered")
                    recorder.note("received", hide(reply) if hide else reply)
                    self.charge(Cost(bytes_received=len(reply)))
                    return Answer(state="accepting", data=reply, recorder=recorder)
        return Answer(state="silent", data=b"", recorder=recorder)

    def endpoint(
        self, port: int, transport: Any = "tcp", protocol: str | None = None, path: str | None = None
    ) -> Endpoint:
        """A place on this device, for an observation: a port, what is spoken there, and the path of a URL."""
        return Endpoint(address=self.address, transport=transport, port=port, protocol=protocol, path=path)

    def observation(self, facts: F, endpoint: Endpoint | None, *recorders: Recorder) -> Observation[F]:
        """Bind facts to what proves them: the bytes, and the connections, those to this port that failed before among them."""
        failed = self._take_failed(endpoint)
        first = min((*failed, *recorders), key=lambda one: one.began, default=None) or Recorder()
        transcript: list[Exchange] = []
        for recorder in recorders:
            shift = recorder.began - first.began
            transcript.extend(
                Exchange(at=round(e.at + shift, 4), direction=e.direction, hex=e.hex, length=e.length)
                for e in recorder.exchanges
            )
        sockets = [
            replace(one.socket, at=round(one.began - first.began, 4))
            for one in (*failed, *recorders)
            if one.socket
        ]
        seen = observation(
            facts,
            endpoint,
            self.vantage,
            first.asked_at,
            tuple(transcript[:EXCHANGES]),
            tuple(sockets[:EXCHANGES]),
        )
        if self.tap:
            self.tap.proves(seen.id, endpoint, recorders)
        return seen

    def derived(self, facts: F, endpoint: Endpoint, seen: Observation[Any]) -> Observation[F]:
        """Bind more facts to what proves another observation already."""
        made = observation(facts, endpoint, seen.vantage, seen.asked_at, seen.transcript, seen.sockets)
        if self.tap:
            self.tap.proves_as_well(made.id, seen.id)
        return made

    def _take_failed(self, endpoint: Endpoint | None) -> list[Recorder]:
        """The connections to an endpoint that failed since the last observation; without one, those to any port."""
        mine = [
            recorder
            for port, recorder in self._failed
            if endpoint is None or (endpoint.transport, endpoint.port) == ("tcp", port)
        ]
        self._failed = [one for one in self._failed if one[1] not in mine]
        return mine

    async def _admit(self, wish: Cost) -> None:
        """Check scope and limits, pause, and write down that the socket is wanted."""
        self._ask_scope()
        if self._had_way is None:
            self._had_way = self._has_way()
        self.turn.check(self.address, self.timing, wish)
        self._keep_to_share(wish)
        rest = self._last + max(self.timing.pause, self.turn.easing.pause) - time.monotonic()
        if rest > 0:
            await asyncio.sleep(rest)
        await self.rate.turn()
        self._still_allowed()
        self._last = time.monotonic()
        self.charge(wish)

    def _may_receive(self) -> None:
        """Raise CeilingReached where the device has sent enough, or as much as this share of it may take."""
        if self.cost.bytes_received >= self.timing.bytes_received:
            raise CeilingReached(f"{self.address}: limit of received bytes reached")
        self._keep_to_share(Cost())

    def _keep_to_share(self, wish: Cost) -> None:
        if self._over:
            raise CeilingReached(f"{self.address}: this probe's turn is over")
        for name in LIMITED if self.share else ():
            most = getattr(self.share, name)
            if getattr(self.cost, name) + getattr(wish, name) > most:
                raise CeilingReached(f"{self.address}: this probe's share of {int(most)} {name} is used up")

    def _socket(self, kind: socket.SocketKind) -> socket.socket:
        try:
            return socket.socket(family(self.address), kind)
        except OSError as exc:
            raise self._local_fault(exc) from None

    def _own_fault(self, exc: OSError | None = None) -> LocalFault | None:
        """The fault of this machine, or of the way to a device that had answered; None where the device was silent.

        Args:
            exc: What the system said; None where nothing came in time.
        """
        if exc is None:
            ours = self._lost()
        else:
            ours = exc.errno in _LOCAL or (exc.errno == errno.ENETUNREACH and (self._reached or self._lost()))
        return self._local_fault(exc) if ours else None

    def _local_fault(self, exc: OSError | None) -> LocalFault:
        why = exc.strerror if exc else "its way to it was lost"
        return LocalFault(f"{self.address} cannot be asked from this machine: {why}")

    def _ask_scope(self) -> None:
        self.permit.check(self.address)
        self._allowed = time.monotonic()

    def _still_allowed(self) -> None:
        """Ask the scope again where the last answer has grown old."""
        if time.monotonic() - self._allowed > ASK_AGAIN:
            self._ask_scope()

    def _closed(self) -> None:
        if self.tap:
            self.tap.end()

    def charge(self, cost: Cost) -> None:
        """Count what was spent, also what was sent for the sake of this device by another way."""
        self.cost += cost
        self.turn.cost += cost

    def _hang_up(self, stream: Stream) -> None:
        self._open = None
        self._closed()
        if stream.waited >= MUTE_AFTER and not stream.heard:
            self._mute[stream.port] += 1
        self.charge(Cost(seconds=time.monotonic() - stream.recorder.began))
        self._last = time.monotonic()
        self.turn.lock.release()


@dataclass(frozen=True, kw_only=True)
class AnyPort:
    """What became of several ports.

    Attributes:
        stream: The one that accepted, None where none did.
        failed: Port to "refusing" or "silent"; what is missing was given up.
    """

    stream: Stream | None
    failed: dict[int, str]


@dataclass(frozen=True, kw_only=True)
class Answer:
    """The answer to a datagram.

    Attributes:
        state: accepting (answered), refusing (port unreachable) or silent, as in records.State.
    """

    state: str
    data: bytes
    recorder: Recorder
