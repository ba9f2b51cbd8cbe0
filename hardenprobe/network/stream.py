"""One TCP connection to a device: what is sent and received over it, recorded, with TLS on it or without."""

from __future__ import annotations

import asyncio
import socket
import ssl
from types import TracebackType
from typing import TYPE_CHECKING, Self

from hardenprobe.errors import Unreachable
from hardenprobe.model import Cost
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.sockets import READ_LIMIT, receive
from hardenprobe.network.tls_layer import TlsLayer

if TYPE_CHECKING:
    from hardenprobe.network.link import DeviceLink


class Stream:
    """One TCP connection, possibly with TLS on it. Closing resets it.

    Attributes:
        port: As assigned.
        recorder: What was said over it; given to `DeviceLink.observation`, it proves the facts.
    """

    def __init__(
        self, line: DeviceLink, port: int, sock: socket.socket, recorder: Recorder, reserved: bool = False
    ) -> None:
        self.line = line
        self.reserved = reserved
        self.port = port
        self.recorder = recorder
        self.heard = False  # anything at all
        self.waited = 0.0  # seconds, in vain
        self._sock: socket.socket | None = sock
        self._tls: TlsLayer | None = None

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

    def drop(self) -> None:
        """Reset a connection that came too late to hold the device's place."""
        if self._sock is not None:
            self._sock.close()
            self._sock = None

    async def receive(self, limit: int = READ_LIMIT, wait: float | None = None) -> bytes:
        """Receive what comes next, b"" at the end; raises `Unreachable` where nothing comes in time.
        It may be part of a line only: read in a loop until the whole has come.

        Args:
            wait: Seconds; the reply time of the line's timing by default.

        Raises:
            Unreachable: state "silent" when nothing came in time, "closed" when the line was cut.
            CeilingReached: The device has sent enough.
            ScopeRefused: The window has closed, or the stop file exists.
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
            MayNotSpeak: The port is on the never-speak list, or not on the may-speak list for this protocol.
            Unreachable: state "closed".
        """
        self.line._require(self.port, protocol)
        self.recorder.note("sent", data)
        if self._tls is not None:
            await self._tls.send(data)
        else:
            await self.raw_send(data)

    async def start_tls(self, context: ssl.SSLContext, server_name: str | None = None) -> ssl.SSLObject:
        """Put TLS on the connection; what is received and sent afterwards is recorded in clear.

        Raises:
            MayNotSpeak: TLS may not be spoken to this port.
            ssl.SSLError: The handshake failed.
            Unreachable: The peer was silent or closed.
        """
        self.line._require(self.port, "tls")
        layer = TlsLayer(self, context, server_name)
        await layer.handshake()
        self._tls = layer
        return layer.object

    async def raw_receive(self, limit: int, wait: float | None) -> bytes:
        """The socket itself, below TLS; counted, not recorded."""
        if self._sock is None:
            raise Unreachable(f"{self.line.address} {self.port}/tcp is closed", "closed")
        self.line._still_allowed()
        self.line._may_receive()
        patience = self.line.patience(self.port, self.line.timing.reply if wait is None else wait)
        try:
            data = await receive(self._sock, limit, patience)
        except TimeoutError:
            self.waited += patience
            if fault := self.line._own_fault():
                raise fault from None
            raise Unreachable(f"{self.line.address} {self.port}/tcp says nothing", "silent") from None
        except OSError as exc:
            if fault := self.line._own_fault(exc):
                raise fault from None
            raise Unreachable(f"{self.line.address} {self.port}/tcp: {exc.strerror}", "closed") from None
        if data:
            self.heard = self.line._heard = True
        self.line.charge(Cost(bytes_received=len(data)))
        return data

    async def raw_send(self, data: bytes) -> None:
        if self._sock is None:
            raise Unreachable(f"{self.line.address} {self.port}/tcp is closed", "closed")
        self.line._still_allowed()
        try:
            async with asyncio.timeout(self.line.timing.reply):
                await asyncio.get_running_loop().sock_sendall(self._sock, data)
        except TimeoutError:
            raise Unreachable(f"{self.line.address} {self.port}/tcp takes nothing", "silent") from None
        except OSError as exc:
            if fault := self.line._own_fault(exc):
                raise fault from None
            raise Unreachable(f"{self.line.address} {self.port}/tcp: {exc.strerror}", "closed") from None
        self.line.charge(Cost(bytes_sent=len(data)))
