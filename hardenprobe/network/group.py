"""Ask a multicast group of one link, once or twice, from an address of ours on it; answers come to us alone."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from contextlib import ExitStack, nullcontext, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from hardenprobe.model import Cost
from hardenprobe.network import audit_hook
from hardenprobe.network.link import Permit
from hardenprobe.network.rate_limit import Rate
from hardenprobe.network.sockets import READ_LIMIT

if TYPE_CHECKING:
    from hardenprobe.network.capture.socket_tap import GroupTap

TRIES = 2  # sendings of a question, since nothing tells of a datagram that was lost
LOCAL = 0.05  # seconds; who is on this machine answers at once, and no datagram is lost
MOST_ANSWERS = 1024  # of one question; a link holds no more devices that are worth waiting for


@dataclass(frozen=True, kw_only=True)
class GroupAnswers:
    """The answer to one question.

    Attributes:
        by_address: Address to its first answer.
        elsewhere: How many addresses answered that nobody may ask; nothing of them is kept.
        cost: Datagrams and bytes.
    """

    by_address: dict[str, bytes] = field(default_factory=dict)
    elsewhere: int = 0
    cost: Cost = field(default_factory=Cost)


@dataclass(frozen=True, kw_only=True)
class GroupLink:
    """A link of this machine on which groups may be asked.

    Attributes:
        name: Of the interface.
        source: Our own IPv4 address on it.
        permit: Asked for the group before each question.
        admits: Tells whether answers of an address may be kept.
        port_offset: Added to every port; only a lab has one.
        tap: Learns of every socket while the scan is captured.
    """

    name: str
    source: str
    permit: Permit
    admits: Callable[[str], bool]
    rate: Rate
    port_offset: int = 0
    tap: GroupTap | None = None

    @property
    def tries(self) -> int:
        """How often a question is sent."""
        return 1 if self.source.startswith("127.") else TRIES

    async def ask(self, group: str, port: int, question: bytes, *, wait: float) -> GroupAnswers:
        """Send one question to a group, and collect who answers.

        Args:
            wait: Seconds after each sending.

        Raises:
            ScopeRefused: The scope does not grant it, or not now.
        """
        if self.source.startswith("127."):
            wait = LOCAL
        there = (group, port + self.port_offset)
        found: dict[str, bytes] = {}
        elsewhere: set[str] = set()
        sent = received = 0
        loop = asyncio.get_running_loop()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock, ExitStack() as stack:
            sock.setblocking(False)
            sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 1)  # never beyond the link
            sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(self.source))
            with audit_hook.granted(sock, *there, self.source):
                sock.bind((self.source, 0))
                stack.enter_context(
                    self.tap.asking(sock.getsockname(), self.admits) if self.tap else nullcontext()
                )
                for _ in range(self.tries):
                    self.permit.check(group)
                    await self.rate.turn()
                    with suppress(OSError):  # no way out of this interface just now
                        await loop.sock_sendto(sock, question, there)
                        sent += 1
                    with suppress(TimeoutError):
                        async with asyncio.timeout(wait):
                            while len(found) + len(elsewhere) < MOST_ANSWERS:
                                data, peer = await loop.sock_recvfrom(sock, READ_LIMIT)
                                received += len(data)
                                if self.admits(peer[0]):
                                    found.setdefault(peer[0], data)
                                else:
                                    elsewhere.add(peer[0])
        cost = Cost(datagrams=sent, bytes_sent=sent * len(question), bytes_received=received)
        return GroupAnswers(by_address=found, elsewhere=len(elsewhere), cost=cost)
