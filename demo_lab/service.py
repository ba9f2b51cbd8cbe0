"""What every simulated service is made of: a declaration with a handler, registered under the word of its protocol."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar, Literal

if TYPE_CHECKING:
    import ssl

    from hardenprobe.demo_lab.declarations import Virtual

LINE_LIMIT = 1024  # bytes; what a command line may take before the line is dropped
IDLE = 30.0  # seconds; a client that says nothing for so long is let go

Encryption = Literal["none", "tls", "both"]
Answer = Callable[[bytes], bytes | None]


@dataclass(frozen=True, kw_only=True)
class Service:
    """A port of a device and what it speaks. A subclass names its protocol: `class Telnet(Service, speaks="telnet")`.

    Attributes:
        port: As assigned; the lab's port offset is added when the port is bound.
    """

    registry: ClassVar[dict[str, type[Service]]] = {}
    speaks: ClassVar[str]
    transport: ClassVar[Literal["tcp", "udp"]] = "tcp"
    says_forbidden: ClassVar[bool] = False
    own_tls: ClassVar[bool] = False  # makes its TLS itself, out of the device's settings
    answers_from_new_port: ClassVar[bool] = False
    copies: ClassVar[int] = 1  # of each datagram that it answers with
    beside: ClassVar[range] = range(0)  # more ports, whatever the lab's offset

    port: int

    def __init_subclass__(cls, *, speaks: str) -> None:
        cls.speaks = speaks
        Service.registry[speaks] = cls

    @property
    def spoken_in(self) -> Encryption:
        """Whether a connection begins with TLS, without it, or as the client likes."""
        return "none"

    @property
    def needs_certificate(self) -> bool:
        return self.own_tls or self.spoken_in != "none"

    def fault(self) -> str | None:
        """Say what is wrong with this declaration beyond the types of its keys; None where nothing is."""
        return None

    def guilty_of(self) -> Iterable[tuple[str, str | None]]:
        """The declared truth of a plug-in's service: (check, subject) of every finding that a scan must bring at its port.

        That of the lab's own services is in truth.py.
        """
        return ()

    def prepare(self, host: Host) -> None:
        """Make what takes long, such as an RSA key, before a client can wait for it."""
        tls = host.device.lab.tls if host.device.lab else None
        if self.own_tls or (self.needs_certificate and tls and tls.key_type != "ec-p256"):
            host.context  # noqa: B018, it is made when first asked for

    async def serve(self, talk: Talk) -> None:
        """Talk to one client of a TCP service until either side is done."""
        raise NotImplementedError

    def answerer(self, host: Host) -> Answer:
        """Make what answers the datagrams of a UDP service; None is silence."""
        raise NotImplementedError


@dataclass(kw_only=True)
class Host:
    """A device while it runs.

    Attributes:
        tls: Makes its TLS settings.
        engine_id: Its SNMP engine (RFC 3411 section 5, SnmpEngineID).
        raw_bytes: Bytes that raw print ports have received.
    """

    device: Virtual
    port_offset: int
    engine_id: bytes
    tls: Callable[[Virtual], ssl.SSLContext | None] = field(default=lambda _: None, repr=False)
    raw_bytes: int = 0
    began: datetime = field(default_factory=lambda: datetime.now(UTC))

    @cached_property
    def context(self) -> ssl.SSLContext | None:
        """Its TLS settings, made when first needed; None for a device without a certificate."""
        return self.tls(self.device)

    def now(self) -> datetime:
        """The device's own clock, UTC; it may be wrong by declaration."""
        ahead = self.device.lab.clock_ahead_s if self.device.lab else 0
        return datetime.now(UTC) + timedelta(seconds=ahead)

    @property
    def uptime_s(self) -> float:
        return (datetime.now(UTC) - self.began).total_seconds()

    def authority(self, asked: str | None, port: int, default_port: int) -> str:
        """Host and port of a URL that leads to this device, under the name it was asked by if that is its own."""
        listed = self.device.listed
        name = (asked or "").rpartition(":")[0] or (asked or "")
        known = name if name in (*listed.names, *listed.addresses) else listed.addresses[0]
        bare = f"[{known}]" if ":" in known else known
        port += self.port_offset
        return bare if port == default_port else f"{bare}:{port}"


@dataclass(kw_only=True)
class Talk:
    """One accepted connection.

    Attributes:
        admitted: False where the source is not on an enforced list and the service says so instead of closing.
        encrypted: The connection runs under TLS.
    """

    host: Host
    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter
    admitted: bool = True
    encrypted: bool = False

    async def say(self, data: bytes) -> None:
        self.writer.write(data)
        await self.writer.drain()

    async def line(self) -> bytes | None:
        """One line without its end; None at the end of the stream, at too long a line, or after IDLE seconds."""
        with contextlib.suppress(TimeoutError, ValueError, asyncio.IncompleteReadError):
            async with asyncio.timeout(IDLE):
                got = await self.reader.readuntil(b"\n")
                return got.rstrip(b"\r\n") if len(got) <= LINE_LIMIT else None
        return None

    async def some(self, limit: int = 65536) -> bytes:
        """Whatever comes next; empty at the end of the stream or after IDLE seconds."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(IDLE):
                return await self.reader.read(limit)
        return b""
