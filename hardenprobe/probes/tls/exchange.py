"""One hello, one connection, one answer.

Every question opens a connection of its own, says a hello, reads the first flight and hangs up by reset, so that
nothing expensive is asked of the device and nothing is left waiting.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field, replace

from hardenprobe.errors import CeilingReached, MalformedReply, Unreachable
from hardenprobe.facts import readable
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.link import DeviceLink
from hardenprobe.network.stream import Stream
from hardenprobe.probes.tls.codec import (
    TLS12,
    TLS13,
    ClientHello,
    Flight,
    ServerHello,
    broken_rule,
    read_flight,
)
from hardenprobe.probes.tls.ssl2 import Ssl2Hello, client_hello, read_server_hello
from hardenprobe.probes.tls.suites import GROUPS, TLS13_GROUPS
from hardenprobe.probes.tls.tls13 import SHARED_GROUPS, KeyShare, Unsealer, key_share

# unexpected_message, illegal_parameter, decode_error, unsupported_extension: it did not like how it was asked.
COMPLAINTS = (10, 47, 50, 110)
PROTOCOL_VERSION = 70  # RFC 5246 section 7.2.2
INAPPROPRIATE_FALLBACK = 86  # RFC 7507 section 5

Opening = Callable[[Stream], Awaitable[None]]


@dataclass(frozen=True, kw_only=True)
class Reply:
    """What one hello drew.

    Attributes:
        kind: "picked", "alert", "closed", "silent", "malformed", "unreachable" or "no upgrade".
        chain: The certificates as sent, DER.
        said: The first bytes that came, for what is not TLS.
        broken: Which rule of its own a ServerHello breaks; its kind is then "malformed".
        offered: How many suites the hello held.
    """

    kind: str
    offered: int
    hello: ServerHello | None = None
    flight: Flight = field(default_factory=Flight)
    chain: tuple[bytes, ...] = ()
    left_out: int = 0
    certificate_requested: bool = False
    said: bytes = b""
    broken: str = ""
    recorder: Recorder | None = None

    @property
    def alert(self) -> int | None:
        return self.flight.alert[1] if self.flight.alert else None

    @property
    def complains(self) -> bool:
        """It refused the hello itself, which says nothing about what the hello asked."""
        return self.alert in COMPLAINTS

    @property
    def is_tls(self) -> bool:
        return self.kind in ("picked", "alert")

    def picked(self, versions: Sequence[int], suites: Sequence[int]) -> tuple[int, int] | None:
        """Version and suite, when both were offered; a pick from outside the offer is no acceptance."""
        if self.kind != "picked" or self.hello is None:
            return None
        if self.hello.version not in versions or self.hello.suite not in suites:
            return None
        return self.hello.version, self.hello.suite


@dataclass(eq=False, kw_only=True)
class Talker:
    """Asks one port, and remembers its cost and what the port does not tolerate.

    Attributes:
        word: What may be said to the port unasked; "tls" except where another protocol leads to it.
        opening: What leads to it, run on every connection before the hello.
        extensions: Whether hellos have extensions.
        chunk: How many suites one hello may hold.
        limit: Connections that the port may cost, None for as many as it takes.
        proven: The largest number of suites that a hello held and got an answer.
        broken: The first rule that a ServerHello broke.
    """

    line: DeviceLink
    port: int
    word: str = "tls"
    opening: Opening | None = None
    server_name: str | None = None
    extensions: bool = True
    chunk: int = 1000
    proven: int = 0
    broken: str = ""
    connections: int = 0
    limit: int | None = None
    recorders: list[Recorder] = field(default_factory=list)

    async def hello(
        self,
        versions: Sequence[int],
        suites: Sequence[int],
        *,
        groups: Sequence[int] | None = None,
        share: int | None = None,
        until_hello: bool = False,
    ) -> Reply:
        """Say one hello.

        Args:
            versions: Highest first.
            groups: All that the highest version may offer, by default.
            share: Group of a key share, for a TLS 1.3 certificate; None sends none.
            until_hello: Stop reading at the ServerHello.

        Raises:
            CeilingReached, ScopeRefused: As Line raises them.
        """
        if groups is None:
            groups = TLS13_GROUPS if versions[0] >= TLS13 else tuple(GROUPS)
        own = key_share(share) if share is not None and versions[0] >= TLS13 else None
        offer = ClientHello(
            versions=tuple(versions),
            suites=tuple(suites),
            random=os.urandom(32),
            session=os.urandom(32) if versions[0] >= TLS13 else b"",
            groups=tuple(groups),
            key_shares=((own.group, own.public),) if own else (),
            compression=versions[0] <= TLS12,
            extensions=self.extensions,
            server_name=self.server_name,
        )
        reply = await self._connected(
            lambda stream: _converse(self, stream, offer, own, until_hello), len(suites)
        )
        if reply.is_tls:
            self.proven = max(self.proven, len(suites))
        self.broken = self.broken or reply.broken
        return reply

    async def ssl2(self) -> Ssl2Hello | Reply:
        """Say one hello of SSL 2.0."""
        found: list[Ssl2Hello] = []

        async def exchange(stream: Stream) -> Reply:
            await stream.send(client_hello(os.urandom(16)), self.word)
            data = b""
            async with asyncio.timeout(self.line.timing.reply):
                while True:
                    piece = await stream.receive()
                    data += piece
                    if answer := read_server_hello(data):
                        found.append(answer)
                        return Reply(kind="picked", offered=0)
                    if not piece:
                        return Reply(kind="closed", offered=0, said=data)

        reply = await self._connected(exchange, 0)
        return found[0] if found else reply

    async def converse(self, exchange: Callable[[Stream], Awaitable[Reply]]) -> Reply:
        """Hold an exchange of the caller's own on a connection of its own.

        Raises:
            CeilingReached, ScopeRefused: As DeviceLink raises them.
        """
        return await self._connected(exchange, 0)

    async def _connected(self, exchange: Callable[[Stream], Awaitable[Reply]], offered: int) -> Reply:
        if self.limit is not None and self.connections >= self.limit:
            raise CeilingReached(
                f"{self.port}/tcp has been asked for TLS {self.limit} times, which is enough"
            )
        self.connections += 1
        try:
            stream = await self.line.connect(self.port)
        except Unreachable as exc:
            return Reply(kind="unreachable", offered=offered, said=exc.state.encode())
        async with stream:
            self.recorders.append(stream.recorder)
            try:
                if self.opening is not None:
                    await self.opening(stream)
            except (Unreachable, MalformedReply, TimeoutError) as exc:
                return Reply(kind="no upgrade", offered=offered, said=str(exc).encode())
            try:
                reply = await exchange(stream)
            except TimeoutError:
                reply = Reply(kind="silent", offered=offered)
            except Unreachable as exc:
                reply = Reply(kind="silent" if exc.state == "silent" else "closed", offered=offered)
            except MalformedReply as exc:
                reply = Reply(kind="malformed", offered=offered, said=str(exc).encode())
        return replace(reply, recorder=stream.recorder)


async def _converse(
    talker: Talker, stream: Stream, offer: ClientHello, own: KeyShare | None, until_hello: bool
) -> Reply:
    """Send a hello, answer one HelloRetryRequest where a certificate is wanted, read until nothing more is in clear."""
    count = len(offer.suites)
    said = [offer.message()]
    await stream.send(offer.record(), talker.word)
    data = b""
    unsealer: Unsealer | None = None
    flight = Flight()
    try:
        async with asyncio.timeout(talker.line.timing.reply):
            while True:
                piece = await stream.receive()
                data += piece
                try:
                    flight = read_flight(data)
                except MalformedReply:
                    if flight.hello is None:
                        return Reply(kind="malformed", offered=count, said=data[:512])
                    break  # what came before the malformed part counts
                hello = flight.hello
                if flight.alert is not None and hello is None:
                    return Reply(kind="alert", offered=count, flight=flight, said=data[:512])
                if hello is not None and (broken := broken_rule(offer, hello, retried=len(said) > 1)):
                    return Reply(kind="malformed", offered=count, said=broken.encode(), broken=broken)
                if hello is not None and until_hello:
                    break
                if hello is not None and hello.retry and own is not None and hello.group in SHARED_GROUPS:
                    own = key_share(hello.group)
                    second = replace(offer, key_shares=((own.group, own.public),), cookie=_cookie(hello))
                    said += [hello.raw, second.message()]
                    offer = second
                    await stream.send(second.record(), talker.word)
                    data = b""
                elif hello is not None and own is not None and hello.version >= TLS13 and not hello.retry:
                    unsealer = unsealer or Unsealer(said, hello, own)
                    if unsealer.open(flight.sealed).done:
                        break
                elif flight.done:
                    break
                if not piece:
                    break
    except (TimeoutError, Unreachable, MalformedReply):
        if flight.hello is None:
            raise
    if flight.hello is None:
        return Reply(kind="closed", offered=count, said=data[:512])
    inner = unsealer.result if unsealer else None
    return Reply(
        kind="picked",
        offered=count,
        hello=flight.hello,
        flight=flight,
        chain=tuple(inner.chain if inner else flight.chain),
        left_out=inner.left_out if inner else flight.left_out,
        certificate_requested=flight.certificate_requested or bool(inner and inner.certificate_requested),
        said=data[:64],
    )


def _cookie(hello: ServerHello) -> bytes | None:
    """The cookie of a HelloRetryRequest, to be given back (RFC 8446 section 4.2.2)."""
    body = hello.extensions.get(44, b"")
    return body[2:] if len(body) > 2 else None


def said_text(reply: Reply) -> str:
    """What a port said instead of TLS, as device text."""
    return readable(reply.said, 512)
