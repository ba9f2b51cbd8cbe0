"""The only door to the network.

Everything that leaves goes through a `Line`: one device address from one vantage point. A line connects one stream at
a time, pauses between, counts what it costs, keeps the transcript, refuses to speak where speaking is not granted, and
stops at the device's ceiling. The scope is asked before every connection, so that a window's end or a stop file holds
within one exchange.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import socket
import ssl
import struct
import sys
import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from ipaddress import ip_address
from types import TracebackType
from typing import Any, Protocol, Self, TypeVar

from hardenprobe import guard
from hardenprobe.errors import CeilingReached, ScopeRefused, Unreachable
from hardenprobe.ports import MAY_SPEAK, NEVER_SPEAK
from hardenprobe.records import Cost, Endpoint, Exchange, Observation

F = TypeVar("F")

READ_LIMIT = 65536  # bytes in one receive; a reader that wants more asks again, under the ceiling
KEPT = 2048  # bytes of one exchange that a transcript keeps; enough for a greeting, a header, a hello
EXCHANGES = 64  # pieces that one observation keeps, so that a byte-a-second device cannot fill the store
_RESET = struct.pack("ii", 1, 0)  # SO_LINGER: close by reset, so that no port is left waiting on either side


class Permit(Protocol):
    """What a line asks of the scope. `scope.Scope` is one."""

    def check(self, address: str) -> None:
        """Raise ScopeRefused where the address, the hour or the stop file forbids."""


@dataclass(frozen=True, kw_only=True)
class Timing:
    """Named waits, in seconds, and the ceilings of one device.

    Attributes:
        connect: For a connection to be accepted or refused.
        greeting: For a peer that speaks first.
        reply: For an answer to something that was said.
        pause: Between two connections to one device.
    """

    connect: float = 2.0
    greeting: float = 1.0
    reply: float = 4.0
    pause: float = 0.02
    connections: int = 400
    datagrams: int = 60
    bytes_received: int = 4_000_000
    seconds: float = 300.0


class Recorder:
    """Keeps what went over the line, bounded, with secrets masked as they are captured."""

    def __init__(self) -> None:
        self.began = time.monotonic()
        self.asked_at = utc_now()
        self.exchanges: list[Exchange] = []
        self._secrets: list[bytes] = []

    def mask(self, secret: bytes) -> None:
        """Star this secret in everything captured from now on."""
        if secret:
            self._secrets.append(secret)

    def forget(self, text: bytes) -> None:
        """Star a text in what was captured already, where only the answer tells what must not be kept."""
        if not text:
            return
        hidden = b"*" * len(text)
        for i, e in enumerate(self.exchanges):
            kept = bytes.fromhex(e.hex).replace(text, hidden)
            cut = next((n for n in range(min(len(text), len(kept)), 0, -1) if kept.endswith(text[:n])), 0)
            if e.length > len(kept) and cut:  # its beginning stands where the capture was cut
                kept = kept[:-cut] + hidden[:cut]
            self.exchanges[i] = replace(e, hex=kept.hex())

    def note(self, direction: Any, data: bytes) -> None:
        if len(self.exchanges) >= EXCHANGES:
            return
        kept = data
        for secret in self._secrets:
            kept = kept.replace(secret, b"*" * len(secret))
        self.exchanges.append(
            Exchange(
                at=round(time.monotonic() - self.began, 4),
                direction=direction,
                hex=kept[:KEPT].hex(),
                length=len(data),
            )
        )

    def rewrite_received(self, edit: Callable[[bytes], bytes]) -> None:
        """Pass all that was received, joined, through an edit that keeps its length: for what is known to be nobody's
        business only after it came."""
        received = [i for i, e in enumerate(self.exchanges) if e.direction == "received"]
        pieces = [bytes.fromhex(self.exchanges[i].hex) for i in received]
        before = b"".join(pieces)
        after = edit(before)
        if after == before:
            return
        at = 0
        for i, piece in zip(received, pieces, strict=True):
            self.exchanges[i] = replace(self.exchanges[i], hex=after[at : at + len(piece)].hex())
            at += len(piece)


@dataclass(eq=False, kw_only=True)
class Line:
    """One device address, from one vantage point.

    Attributes:
        address: Literal address; no name is looked up here.
        may_speak: Port to the protocols that may be spoken unasked; see ports.py.
        port_offset: Added to every port at the door; only a lab has one.
        source: Our own address, None to let the system choose.
        cost: What has been spent so far.
        turn: Held while a connection is open; lines to one device share it.
    """

    address: str
    permit: Permit
    vantage: str = "here"
    source: str | None = None
    timing: Timing = field(default_factory=Timing)
    may_speak: Mapping[int, frozenset[str]] = field(default_factory=lambda: MAY_SPEAK)
    port_offset: int = 0
    cost: Cost = field(default_factory=Cost)
    turn: asyncio.Lock = field(default_factory=asyncio.Lock)
    _last: float = 0.0

    def speaks(self, port: int, protocol: str) -> bool:
        """Tell whether `protocol` may be spoken to `port` unasked."""
        return port not in NEVER_SPEAK and protocol in self.may_speak.get(port, ())

    async def connect(self, port: int) -> Stream:
        """Connect once. Use the stream as a context manager: it holds the device's only place.

        Raises:
            ScopeRefused: Address, hour or stop file forbid it; nothing was sent.
            CeilingReached: The device has been asked enough.
            Unreachable: state "refusing" or "silent".
        """
        await self.turn.acquire()
        try:
            await self._admit(Cost(connections=1))
            return await self._open(port)
        except BaseException:
            self.turn.release()
            raise

    async def _open(self, port: int) -> Stream:
        real = port + self.port_offset
        recorder = Recorder()
        sock = socket.socket(_family(self.address), socket.SOCK_STREAM)
        sock.setblocking(False)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
        try:
            if self.source:
                sock.bind((self.source, 0))
            with guard.granted(self.address, real):
                async with asyncio.timeout(self.timing.connect):
                    await asyncio.get_running_loop().sock_connect(sock, (self.address, real))
        except TimeoutError:
            sock.close()
            raise Unreachable(f"{self.address} TCP {port} is silent", "silent") from None
        except ConnectionRefusedError:
            sock.close()
            raise Unreachable(f"{self.address} TCP {port} refuses", "refusing") from None
        except ConnectionError as exc:
            sock.close()
            raise Unreachable(f"{self.address} TCP {port}: {exc.strerror}", "refusing") from None
        except OSError as exc:
            sock.close()
            # Host or network unreachable: a router or our own stack said so, which is no word of the device.
            raise Unreachable(f"{self.address} TCP {port}: {exc.strerror}", "silent") from None
        except BaseException:
            sock.close()
            raise
        return Stream(self, port, sock, recorder)

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
        """Send one datagram and wait for one reply from the same endpoint.

        Args:
            secrets: Byte strings to star in the transcript.
            hide: Makes of a reply what the transcript may keep, as long as the reply.
            tries: How often to send; one retransmission by default.
            any_port: Take a reply from any port of the same address, as TFTP answers (RFC 1350 section 4).

        Raises:
            ScopeRefused, CeilingReached: As for `connect`.
        """
        recorder = Recorder()
        for secret in secrets:
            recorder.mask(secret)
        real = port + self.port_offset
        there = (self.address, real)
        loop = asyncio.get_running_loop()
        async with self.turn:
            with socket.socket(_family(self.address), socket.SOCK_DGRAM) as sock, ExitStack() as stack:
                sock.setblocking(False)
                stack.enter_context(guard.granted(self.address, real))
                try:
                    if self.source:
                        sock.bind((self.source, 0))
                    if any_port:
                        _report_unreachable(sock)
                    else:
                        sock.connect(there)
                except OSError:  # no way there from this source: our own stack said so, not the device
                    return Answer(state="silent", data=b"", recorder=recorder)
                for _ in range(tries):
                    await self._admit(Cost(datagrams=1))
                    try:
                        if any_port:
                            await loop.sock_sendto(sock, datagram, there)
                        else:
                            await loop.sock_sendall(sock, datagram)
                        recorder.note("sent", datagram)
                        self._spend(Cost(bytes_sent=len(datagram)))
                        reply = await _datagram(sock, self.address, wait or self.timing.reply / tries)
                    except TimeoutError:
                        continue
                    except ConnectionRefusedError:
                        return Answer(state="refusing", data=b"", recorder=recorder)
                    except OSError:
                        continue
                    recorder.note("received", hide(reply) if hide else reply)
                    self._spend(Cost(bytes_received=len(reply)))
                    return Answer(state="accepting", data=reply, recorder=recorder)
        return Answer(state="silent", data=b"", recorder=recorder)

    def endpoint(
        self, port: int, transport: Any = "tcp", protocol: str | None = None, path: str | None = None
    ) -> Endpoint:
        return Endpoint(address=self.address, transport=transport, port=port, protocol=protocol, path=path)

    def observation(self, facts: F, endpoint: Endpoint | None, *recorders: Recorder) -> Observation[F]:
        """Bind facts to the bytes that prove them."""
        first = recorders[0] if recorders else Recorder()
        transcript: list[Exchange] = []
        for recorder in recorders:
            shift = recorder.began - first.began
            transcript.extend(
                Exchange(at=round(e.at + shift, 4), direction=e.direction, hex=e.hex, length=e.length)
                for e in recorder.exchanges
            )
        return observation(facts, endpoint, self.vantage, first.asked_at, tuple(transcript[:EXCHANGES]))

    async def _admit(self, wish: Cost) -> None:
        """Ask scope and ceiling, pause, and write the wish down."""
        self.permit.check(self.address)
        limit = self.timing
        spent = self.cost
        for name in ("connections", "datagrams", "bytes_received", "seconds"):
            if getattr(spent, name) + getattr(wish, name) > getattr(limit, name):
                raise CeilingReached(f"{self.address}: ceiling of {getattr(limit, name):g} {name} reached")
        rest = self._last + limit.pause - time.monotonic()
        if rest > 0:
            await asyncio.sleep(rest)
        self._last = time.monotonic()
        self._spend(wish)

    def _spend(self, cost: Cost) -> None:
        self.cost = self.cost + cost

    def _hang_up(self, stream: Stream) -> None:
        self._spend(Cost(seconds=time.monotonic() - stream.recorder.began))
        self._last = time.monotonic()
        self.turn.release()


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What came back to a datagram.

    Attributes:
        state: accepting (answered), refusing (port unreachable) or silent, as in records.State.
    """

    state: str
    data: bytes
    recorder: Recorder


class Stream:
    """One TCP connection, possibly with TLS on it. Closing resets it."""

    def __init__(self, line: Line, port: int, sock: socket.socket, recorder: Recorder) -> None:
        self.line = line
        self.port = port
        self.recorder = recorder
        self._sock: socket.socket | None = sock
        self._tls: _TlsLayer | None = None

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Reset the connection and give the device's place back. Twice is harmless."""
        if self._sock is not None:
            self._sock.close()
            self._sock = None
            self.line._hang_up(self)

    async def receive(self, limit: int = READ_LIMIT, wait: float | None = None) -> bytes:
        """Receive what comes next, b"" at the end.

        Args:
            wait: Seconds; the reply time of the line's timing by default.

        Raises:
            Unreachable: state "silent" when nothing came in time, "closed" when the line was cut.
            CeilingReached: The device has sent enough.
        """
        if self._tls is not None:
            data = await self._tls.receive(limit, wait)
        else:
            data = await self.raw_receive(limit, wait)
        if data:
            self.recorder.note("received", data)
        return data

    async def send(self, data: bytes, protocol: str) -> None:
        """Say something, in a protocol that may be spoken here.

        Raises:
            ScopeRefused: The port is on the never-speak list, or not on the may-speak list for this protocol.
            Unreachable: state "closed".
        """
        if not self.line.speaks(self.port, protocol):
            raise ScopeRefused(
                f"TCP {self.port} of {self.line.address} is not on the may-speak list for {protocol}",
                self.line.address,
            )
        self.recorder.note("sent", data)
        if self._tls is not None:
            await self._tls.send(data)
        else:
            await self.raw_send(data)

    async def start_tls(self, context: ssl.SSLContext, server_name: str | None = None) -> ssl.SSLObject:
        """Put TLS on the connection; what is received and sent afterwards is recorded in clear.

        Raises:
            ScopeRefused: TLS may not be spoken to this port.
            ssl.SSLError: The handshake failed.
            Unreachable: The peer was silent or closed.
        """
        if not self.line.speaks(self.port, "tls"):
            raise ScopeRefused(
                f"TCP {self.port} of {self.line.address} is not on the may-speak list for tls",
                self.line.address,
            )
        layer = _TlsLayer(self, context, server_name)
        await layer.handshake()
        self._tls = layer
        return layer.object

    async def raw_receive(self, limit: int, wait: float | None) -> bytes:
        """The socket itself, below TLS; counted, not recorded."""
        if self._sock is None:
            raise Unreachable(f"{self.line.address} TCP {self.port} is closed", "closed")
        if self.line.cost.bytes_received >= self.line.timing.bytes_received:
            raise CeilingReached(f"{self.line.address}: ceiling of received bytes reached")
        try:
            async with asyncio.timeout(self.line.timing.reply if wait is None else wait):
                # Bytes that are there already come without a pause; a flood must not hold up timers and other devices.
                await asyncio.sleep(0)
                data = await asyncio.get_running_loop().sock_recv(self._sock, limit)
        except TimeoutError:
            raise Unreachable(f"{self.line.address} TCP {self.port} says nothing", "silent") from None
        except OSError as exc:
            raise Unreachable(f"{self.line.address} TCP {self.port}: {exc.strerror}", "closed") from None
        self.line._spend(Cost(bytes_received=len(data)))
        return data

    async def raw_send(self, data: bytes) -> None:
        if self._sock is None:
            raise Unreachable(f"{self.line.address} TCP {self.port} is closed", "closed")
        try:
            async with asyncio.timeout(self.line.timing.reply):
                await asyncio.get_running_loop().sock_sendall(self._sock, data)
        except TimeoutError:
            raise Unreachable(f"{self.line.address} TCP {self.port} takes nothing", "silent") from None
        except OSError as exc:
            raise Unreachable(f"{self.line.address} TCP {self.port}: {exc.strerror}", "closed") from None
        self.line._spend(Cost(bytes_sent=len(data)))


class _TlsLayer:
    """The standard library's TLS between two memory buffers, so that every byte still passes the door."""

    def __init__(self, stream: Stream, context: ssl.SSLContext, server_name: str | None) -> None:
        self._stream = stream
        self._in = ssl.MemoryBIO()
        self._out = ssl.MemoryBIO()
        self.object = context.wrap_bio(self._in, self._out, server_hostname=server_name)

    async def handshake(self) -> None:
        while True:
            try:
                self.object.do_handshake()
            except ssl.SSLWantReadError:
                await self._flush()
                await self._fill(None)
            else:
                await self._flush()
                return

    async def receive(self, limit: int, wait: float | None) -> bytes:
        while True:
            try:
                return self.object.read(limit)
            except ssl.SSLWantReadError:
                await self._flush()
                await self._fill(wait)
            except (ssl.SSLZeroReturnError, ssl.SSLEOFError):
                return b""
            except ssl.SSLError as exc:
                raise Unreachable(f"TLS: {exc.reason}", "closed") from None

    async def send(self, data: bytes) -> None:
        self.object.write(data)
        await self._flush()

    async def _flush(self) -> None:
        if pending := self._out.read():
            await self._stream.raw_send(pending)

    async def _fill(self, wait: float | None) -> None:
        data = await self._stream.raw_receive(READ_LIMIT, wait)
        if data:
            self._in.write(data)
        else:
            self._in.write_eof()


def observation(
    facts: F, endpoint: Endpoint | None, vantage: str, asked_at: str, transcript: tuple[Exchange, ...] = ()
) -> Observation[F]:
    """Make an observation; its id is the digest of all it holds."""
    body = [
        getattr(facts, "kind"),  # noqa: B009 - given by @facts
        asdict(facts),  # type: ignore[call-overload]
        asdict(endpoint) if endpoint else None,
        vantage,
        asked_at,
        [asdict(e) for e in transcript],
    ]
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), default=str)
    digest = hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:24]
    return Observation(
        id=digest, endpoint=endpoint, vantage=vantage, asked_at=asked_at, facts=facts, transcript=transcript
    )


def utc_now() -> str:
    """The time now: UTC, ISO 8601 with milliseconds and Z."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


async def _datagram(sock: socket.socket, address: str, wait: float) -> bytes:
    """The next datagram from an address.

    What came in time counts even where this process was too busy to look at it in time.

    Raises:
        TimeoutError: Nothing came within `wait` seconds.
        OSError: As the socket says, an unreachable port among it.
    """

    async def receive() -> bytes:
        while True:
            data, peer = await asyncio.get_running_loop().sock_recvfrom(sock, READ_LIMIT)
            if ip_address(peer[0].partition("%")[0]) == ip_address(address):
                return data
            await asyncio.sleep(0)  # a flood from elsewhere must not hold up the timer

    receiving = asyncio.create_task(receive())
    try:
        await asyncio.wait({receiving}, timeout=wait)
        if receiving.done():
            return receiving.result()
        raise TimeoutError
    finally:
        receiving.cancel()
        await asyncio.gather(receiving, return_exceptions=True)


def _report_unreachable(sock: socket.socket) -> None:
    """Make an unconnected socket tell of an unreachable port, where the system can (Linux, ip(7): IP_RECVERR)."""
    if sys.platform == "linux":
        v6 = sock.family == socket.AF_INET6
        sock.setsockopt(socket.IPPROTO_IPV6 if v6 else socket.IPPROTO_IP, 25 if v6 else 11, 1)


def _family(address: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ip_address(address).version == 6 else socket.AF_INET
