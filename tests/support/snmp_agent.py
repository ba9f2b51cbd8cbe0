"""An SNMP agent that answers as a test says, at the other end of a line."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from hardenprobe.network.link import DeviceLink
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope import Scope

QUICK = Timing(connect=0.5, greeting=0.1, reply=0.2, pause=0.0, datagrams=200)


@asynccontextmanager
async def agent(answer: Callable[[bytes], bytes | None], timing: Timing = QUICK) -> AsyncIterator[DeviceLink]:
    """A line to an agent that answers as told."""

    class Peer(asyncio.DatagramProtocol):
        def connection_made(self, transport: Any) -> None:
            self.transport = transport

        def datagram_received(self, data: bytes, addr: Any) -> None:
            if (reply := answer(data)) is not None:
                self.transport.sendto(reply, addr)

    transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
        Peer, local_addr=("127.0.0.1", 0)
    )
    try:
        port = transport.get_extra_info("sockname")[1]
        yield DeviceLink(address="127.0.0.1", permit=Scope.loopback(), timing=timing, port_offset=port - 161)
    finally:
        transport.close()
