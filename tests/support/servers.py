"""A TCP server of a test's own, on a port that the system chooses."""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable

# What inetd does: take a connection, and run the program with the connection for its input and output.
ACCEPT_AND_RUN = """
import socket, subprocess, sys
with socket.create_server((sys.argv[1], int(sys.argv[2]))) as server:
    while True:
        line, _ = server.accept()
        with line:
            subprocess.Popen(sys.argv[3:], stdin=line, stdout=line, stderr=line)
"""

Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@contextlib.asynccontextmanager
async def serving(
    handler: Handler, host: str = "127.0.0.1", context: ssl.SSLContext | None = None
) -> AsyncIterator[int]:
    """Serve a handler, and give its port.

    A connection is aborted when its handler returns, and a handler that still runs at the end is cancelled.
    """
    tasks: set[asyncio.Task[None]] = set()

    async def on_connect(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        tasks.add(task)
        try:
            with contextlib.suppress(ConnectionError, asyncio.IncompleteReadError, asyncio.CancelledError):
                await handler(reader, writer)
        finally:
            writer.transport.abort()

    server = await asyncio.start_server(on_connect, host, 0, ssl=context)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
