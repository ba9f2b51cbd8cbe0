"""httpx over a stream that Link opened: one request, one connection, no socket of the library's own."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Any

import httpcore
import httpx

from hardenprobe.network.stream import Stream


class StreamTransport(httpx.AsyncBaseTransport):
    """Sends one request over one open stream.

    Args:
        protocol: What the port is spoken to in, for the may-speak list: "http", or "tls" under TLS.
    """

    def __init__(self, stream: Stream, protocol: str) -> None:
        self._stream = _NetworkStream(stream, protocol)

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        url = httpcore.URL(
            scheme=request.url.raw_scheme,
            host=request.url.raw_host,
            port=request.url.port,
            target=request.url.raw_path,
        )
        connection = httpcore.AsyncHTTP11Connection(origin=url.origin, stream=self._stream)
        answer = await connection.handle_async_request(
            httpcore.Request(request.method, url, headers=request.headers.raw, content=request.stream)
        )
        return httpx.Response(answer.status, headers=answer.headers, stream=_Body(answer.stream, connection))


class _NetworkStream(httpcore.AsyncNetworkStream):
    def __init__(self, stream: Stream, protocol: str) -> None:
        self._stream, self._protocol = stream, protocol

    async def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        return await self._stream.receive(max_bytes, timeout)

    async def write(self, buffer: bytes, timeout: float | None = None) -> None:
        if buffer:
            await self._stream.send(buffer, self._protocol)

    async def aclose(self) -> None:
        """The stream belongs to the caller that opened it."""

    def get_extra_info(self, info: str) -> Any:
        return None


class _Body(httpx.AsyncByteStream):
    def __init__(self, stream: Any, connection: httpcore.AsyncHTTP11Connection) -> None:
        self._stream, self._connection = stream, connection

    async def __aiter__(self) -> AsyncIterator[bytes]:
        async for piece in self._stream:
            yield piece

    async def aclose(self) -> None:
        await self._connection.aclose()
