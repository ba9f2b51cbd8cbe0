"""The addresses that a name server gives for a device's listed names, each name asked for once in a scan."""

from __future__ import annotations

import asyncio
import re
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from hardenprobe.errors import MalformedReply
from hardenprobe.model import Cost
from hardenprobe.network import name_server
from hardenprobe.network.capture.socket_tap import SweepTap
from hardenprobe.network.rate_limit import Rate
from hardenprobe.planning.plan import Plan
from hardenprobe.probes import dns, packets

if TYPE_CHECKING:
    from hardenprobe.network.capture.capture import Capture

KINDS = ("A", "AAAA")
HOST_NAME = re.compile(
    r"(?!-)[A-Za-z0-9_-]{1,63}(\.[A-Za-z0-9_-]{1,63})*\.?"
)  # RFC 1123 section 2.1; "_": common practice


@dataclass(eq=False, kw_only=True)
class NameServer:
    """The name server of a scope.

    Attributes:
        spend: Told of what each question cost.
        notices: What people should know of it.
    """

    plan: Plan
    rate: Rate
    spend: Callable[[Cost], None]
    capture: Capture | None = None
    notices: list[str] = field(default_factory=list)
    _known: dict[str, tuple[str, ...]] = field(default_factory=dict)
    _mute: bool = False
    _turn: asyncio.Lock = field(default_factory=asyncio.Lock)

    async def addresses(self, name: str) -> tuple[str, ...]:
        """The addresses of a name; none where there is no such name, or the server has been mute before.

        Raises:
            ScopeRefused: The hour or the stop file.
        """
        key = name.rstrip(".").lower()
        async with self._turn:
            if key not in self._known:
                found = [a for kind in KINDS for a in await self._ask(key, kind)]
                self._known[key] = tuple(dict.fromkeys(found))
        return self._known[key]

    async def _ask(self, name: str, kind: str) -> tuple[str, ...]:
        if self._mute:
            return ()
        await packets.ready()
        server, ident = self.plan.scope.name_server, secrets.randbelow(1 << 16)
        self.plan.scope.check_now()
        tap = SweepTap(self.capture) if self.capture else None
        question = packets.encode_dns(name, kind, ident)
        reply, cost = await name_server.ask(
            server, name_server.PORT + self.plan.port_offset, question, self.rate, tap
        )
        self.spend(cost)
        if reply is None:
            self._mute = True
            self.notices.append(f"name server {server} did not answer; the listed names were not resolved")
            return ()
        try:
            return dns.addresses(reply, name, ident)
        except MalformedReply as exc:
            self.notices.append(f"name server {server}, {kind} of {name}: {exc}")
            return ()
