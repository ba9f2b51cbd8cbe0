"""The standard library's TLS between two memory buffers, so that every byte still passes Link's door."""

from __future__ import annotations

import ssl
from typing import Protocol

from hardenprobe.errors import Unreachable

RECORD = 65536  # bytes in one receive; four TLS records


class Wire(Protocol):
    """The connection below TLS. `stream.Stream` is one."""

    async def raw_receive(self, limit: int, wait: float | None) -> bytes: ...

    async def raw_send(self, data: bytes) -> None: ...


class TlsLayer:
    """The standard library's TLS between two memory buffers, so that every byte still passes the door."""

    def __init__(self, wire: Wire, context: ssl.SSLContext, server_name: str | None) -> None:
        self._wire = wire
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
            await self._wire.raw_send(pending)

    async def _fill(self, wait: float | None) -> None:
        data = await self._wire.raw_receive(RECORD, wait)
        if data:
            self._in.write(data)
        else:
            self._in.write_eof()
