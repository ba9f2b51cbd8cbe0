"""Ask an SSH server for its algorithms and host keys, without signing in: no service and no user is ever asked for."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import asdict, replace
from typing import Self, TypeVar

from hardenprobe.errors import MalformedReply, Unreachable
from hardenprobe.facts import SshGroup, SshHostKey, SshIdentification, SshOffer
from hardenprobe.model import Observation, Reach
from hardenprobe.network.link import DeviceLink
from hardenprobe.network.stream import Stream
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.ssh.codec import (
    DEBUG,
    DISCONNECT,
    GREETING_LIMIT,
    IGNORE,
    PACKET_LIMIT,
    UNIMPLEMENTED,
    Identification,
    KexInit,
    disconnect,
    identification,
    kexinit,
    packet,
    unpack,
)
from hardenprobe.probes.ssh.exchange import (
    GROUP_EXCHANGES,
    HostKeyProof,
    KeyExchange,
    Openings,
    choose,
    group_bits,
    group_request,
)
from hardenprobe.probes.ssh.keys import TYPES, proves, public_key

T = TypeVar("T")

OURS = b"SSH-2.0-hardenprobe"
SMALL_GROUP = 1024  # bits; what RFC 4419 section 3 took for enough, and RFC 8270 does not
SIGNING = 3  # times the reply time: a small device needs seconds for a signature
WHOLE = 6  # times the reply time, for all of one connection; a device that drips bytes gets no more
IDLE_PACKETS = 16  # messages without meaning that are passed over


class _Talk:
    """One connection, before encryption."""

    def __init__(self, stream: Stream) -> None:
        self.stream = stream
        self.server: Identification | None = None
        self._data = b""
        self._reply = stream.line.timing.reply
        self._ends = asyncio.get_running_loop().time() + self._reply * WHOLE

    async def open(self) -> Self:
        """Exchange identifications.

        Raises:
            MalformedReply: No SSH, or only protocol 1.
            Unreachable: Silent or closed.
        """
        await self.stream.send(OURS + b"\r\n", "ssh")
        self.server = await self._until(identification, GREETING_LIMIT * 2, self._reply)
        if self.server.line == OURS:
            self.server = None
            raise MalformedReply("an echo of what was said")
        return self

    async def message(self) -> bytes:
        """The next message that means something.

        Raises:
            MalformedReply: It is none, or the server says good-bye.
            Unreachable: Silent or closed.
        """
        for _ in range(IDLE_PACKETS):
            payload = await self._until(unpack, PACKET_LIMIT + 4, self._reply * SIGNING)
            if payload[:1] == bytes([DISCONNECT]):
                raise Unreachable("SSH: the server says good-bye", "closed")
            if payload[0] not in (IGNORE, UNIMPLEMENTED, DEBUG):
                return payload
        raise MalformedReply("SSH messages without meaning, and no end of them")

    async def say(self, payload: bytes) -> None:
        await self.stream.send(packet(payload), "ssh")

    async def leave(self) -> None:
        """Say good-bye, so that the server's log says why."""
        with contextlib.suppress(Unreachable):  # it may have gone first
            await self.say(disconnect("algorithms read"))

    async def _until(self, take: Callable[[bytes], tuple[T, int] | None], limit: int, wait: float) -> T:
        """Receive until `take` has a whole one, at most `wait` seconds."""
        clock = asyncio.get_running_loop().time
        until = min(clock() + wait, self._ends)
        while (found := take(self._data)) is None:
            if len(self._data) > limit:
                raise MalformedReply("more than one SSH message can hold")
            piece = await self.stream.receive(wait=max(0.0, until - clock()))
            if not piece:
                raise Unreachable("SSH: closed in the middle", "closed")
            self._data += piece
        value, used = found
        self._data = self._data[used:]
        return value


async def ask_offer(
    line: DeviceLink, port: int
) -> tuple[Observation[SshOffer], Observation[SshIdentification] | None]:
    """Read a server's identification and KEXINIT: one connection."""
    async with await line.connect(port) as stream:
        talk = _Talk(stream)
        offer = SshOffer(speaks=True)
        try:
            await talk.open()
            if talk.server and not talk.server.both:
                offer = replace(offer, fault="protocol 1 only")
            else:
                offer = _offer(kexinit(await talk.message()))
                await talk.leave()
        except (Unreachable, MalformedReply) as exc:
            state = exc.state if isinstance(exc, Unreachable) else str(exc)
            if talk.server is None and isinstance(exc, MalformedReply):
                state = "not SSH"
            offer = replace(offer, speaks=talk.server is not None, fault=state)
        where = line.endpoint(port, protocol="ssh" if offer.speaks else None)
        seen = line.observation(offer, where, stream.recorder)
        if talk.server is None:
            return seen, None
        return seen, line.observation(_facts(talk.server), where, stream.recorder)


def _offer(lists: KexInit) -> SshOffer:
    kept = {name: names for name, names in asdict(lists).items() if name in SshOffer.__dataclass_fields__}
    return SshOffer(speaks=True, **kept)


def _facts(server: Identification) -> SshIdentification:
    return SshIdentification(protocol=server.protocol, software=server.software, comments=server.comments)


def host_key_algorithms(offered: tuple[str, ...]) -> dict[str, str]:
    """Key type to the best algorithm by which a server offers it.

    >>> host_key_algorithms(("ssh-rsa", "rsa-sha2-256", "unheard-of"))
    {'ssh-rsa': 'rsa-sha2-256'}
    """
    best = {kind: next((a for a in algorithms if a in offered), None) for kind, algorithms in TYPES.items()}
    return {kind: algorithm for kind, algorithm in best.items() if algorithm}


async def ask_host_key(
    line: DeviceLink, port: int, offer: SshOffer, key_type: str, algorithm: str
) -> Observation[SshHostKey]:
    """Exchange keys once, up to the server's signature, and leave: one connection."""
    method = choose(offer.key_exchanges)
    facts = SshHostKey(key_type=key_type, asked=algorithm, method=method.name if method else "")
    where = line.endpoint(port, protocol="ssh")
    if method is None:
        offered = ", ".join(offer.key_exchanges[:4])
        fault = f"no key exchange method in common with this scan's; it offers {offered or 'none'}"
        return line.observation(replace(facts, fault=fault), where)
    async with await line.connect(port) as stream:
        try:
            talk = await _Talk(stream).open()
            theirs = await talk.message()
            kexinit(theirs)
            ours = _answer(offer, method.name, algorithm).encode()
            await talk.say(ours)
            assert talk.server is not None
            exchange = KeyExchange(method, Openings(OURS, talk.server.line, ours, theirs))
            await talk.say(exchange.first)
            while isinstance(step := exchange.take(await talk.message()), bytes):
                await talk.say(step)
            await talk.leave()
            facts = _judged(facts, step)
        except (Unreachable, MalformedReply) as exc:
            facts = replace(facts, fault=exc.state if isinstance(exc, Unreachable) else str(exc))
        return line.observation(facts, where, stream.recorder)


async def ask_group(line: DeviceLink, port: int, offer: SshOffer, method: str) -> Observation[SshGroup]:
    """Ask for a small group, read which one comes, and leave: one connection."""
    algorithm = next(iter(host_key_algorithms(offer.host_keys).values()), next(iter(offer.host_keys), ""))
    facts = SshGroup(method=method, asked=SMALL_GROUP)
    async with await line.connect(port) as stream:
        try:
            talk = await _Talk(stream).open()
            kexinit(await talk.message())
            await talk.say(_answer(offer, method, algorithm).encode())
            await talk.say(group_request(SMALL_GROUP))
            facts = replace(facts, bits=group_bits(await talk.message()))
            await talk.leave()
        except (Unreachable, MalformedReply) as exc:
            facts = replace(facts, fault=exc.state if isinstance(exc, Unreachable) else str(exc))
        return line.observation(facts, line.endpoint(port, protocol="ssh"), stream.recorder)


def _answer(offer: SshOffer, method: str, algorithm: str) -> KexInit:
    """Our KEXINIT: one method and one host key algorithm, and whatever else the server likes; it is never used."""
    lists = {name: names for name, names in asdict(offer).items() if name in KexInit.__dataclass_fields__}
    return KexInit(**{**lists, "key_exchanges": (method,), "host_keys": (algorithm,)})


def _judged(facts: SshHostKey, signed: HostKeyProof) -> SshHostKey:
    """Read the host key, then see whether it made the signature; a key that did not is kept, unproven."""
    key = public_key(signed.host_key)
    if key.key_type != facts.key_type:
        raise MalformedReply("SSH host key of a type that was not asked for")
    facts = replace(facts, bits=key.bits, sha256=key.sha256)
    try:
        signature = proves(key, signed.signature, signed.exchange_hash)
    except MalformedReply as exc:
        return replace(facts, fault=str(exc))
    return replace(facts, signature=signature, proven=True)


async def _ask(
    asked: ProbeContext,
) -> AsyncIterator[Observation[SshOffer | SshIdentification | SshGroup | SshHostKey]]:
    for heard in asked.accepting():
        port = heard.port
        # A server greets first; one that is slow to may still be asked where SSH is expected.
        if not asked.line.speaks(port, "ssh") or not (heard.seen.facts.speaks == "ssh" or heard.waits):
            continue
        with asked.trying("ssh", (SshOffer, SshGroup, SshHostKey), port):
            seen, greeting = await ask_offer(asked.line, port)
            yield seen
            known = asked.at(SshIdentification, port)
            if greeting and (known is None or known.facts.protocol != greeting.facts.protocol):
                yield greeting
            method = next((m for m in GROUP_EXCHANGES if m in seen.facts.key_exchanges), None)
            if method and asked.wants(SshGroup):
                yield await ask_group(asked.line, port, seen.facts, method)
            if not asked.wants(SshHostKey):
                continue
            for key_type, algorithm in host_key_algorithms(seen.facts.host_keys).items():
                yield await ask_host_key(asked.line, port, seen.facts, key_type, algorithm)


async def _listen(asked: ProbeContext) -> AsyncIterator[Observation[SshIdentification]]:
    """Nothing is asked: the greeting that was heard is taken apart."""
    for heard in asked.accepting():
        if heard.seen.facts.speaks == "ssh":
            with asked.trying("ssh identification", (SshIdentification,), heard.port):
                # What was heard may be cut in the last line's comments; the version comes before them.
                if found := identification(heard.greeting + b"\n"):
                    where = asked.line.endpoint(heard.port, protocol="ssh")
                    yield asked.line.derived(_facts(found[0]), where, heard.seen)


GREETING = Probe(name="ssh identification", produces=(SshIdentification,), ask=_listen, reach=Reach.LOOK)
PROBE = Probe(name="ssh", produces=(SshOffer, SshGroup, SshHostKey), ask=_ask)
