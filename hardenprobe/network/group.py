"""Ask a multicast group of one link, once or twice, from an address of ours on it; answers come to us alone."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Iterable, Mapping
from contextlib import ExitStack, nullcontext, suppress
from dataclasses import dataclass, field
from ipaddress import ip_address
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
        link_local: The same of link-local addresses, which belong to whichever device of the link has them.
        elsewhere: How many addresses answered that nobody may ask; nothing of them is kept.
        cost: Datagrams and bytes.
    """

    by_address: dict[str, bytes] = field(default_factory=dict)
    link_local: dict[str, bytes] = field(default_factory=dict)
    elsewhere: int = 0
    cost: Cost = field(default_factory=Cost)


@dataclass(frozen=True, kw_only=True)
class GroupLink:
    """A link of this machine on which groups may be asked.

    Attributes:
        name: Of the interface.
        source: Our own address on it, whose family is that of the groups.
        permit: Asked for the group before each question.
        admits: Tells whether answers of an address may be kept.
        neighbours: Reads which link-layer address each address on the link has.
        port_offset: Added to every port; only a lab has one.
        tap: Learns of every socket while the scan is captured.
    """

    name: str
    source: str
    permit: Permit
    admits: Callable[[str], bool]
    neighbours: Callable[[], Mapping[str, str]]
    rate: Rate
    port_offset: int = 0
    tap: GroupTap | None = None

    @property
    def tries(self) -> int:
        """How often a question is sent."""
        return 1 if self.source.startswith("127.") else TRIES

    @property
    def v6(self) -> bool:
        return ":" in self.source

    def same_device(
        self, address: str, others: Iterable[str], known: Mapping[str, str] | None = None
    ) -> list[str]:
        """Those of other addresses that have the link-layer address of a device that was met.

        Args:
            known: Link-layer addresses of the others; those of just now by default.
        """
        table = self.neighbours()
        mine = table.get(address)
        return [one for one in others if mine and (known or table).get(one) == mine]

    async def ask(self, group: str, port: int, question: bytes, *, wait: float) -> GroupAnswers:
        """Send one question to a group, and collect who answers.

        Args:
            wait: Seconds after each sending.

        Raises:
            ScopeRefused: The scope does not grant it, or not now.
        """
        if self.source.startswith("127."):
            wait = LOCAL
        port += self.port_offset
        zone = socket.if_nametoindex(self.name) if self.v6 else 0
        there = (group, port, 0, zone) if self.v6 else (group, port)
        found: dict[str, bytes] = {}
        link_local: dict[str, bytes] = {}
        elsewhere: set[str] = set()
        sent = received = 0
        loop = asyncio.get_running_loop()
        family = socket.AF_INET6 if self.v6 else socket.AF_INET
        with socket.socket(family, socket.SOCK_DGRAM) as sock, ExitStack() as stack:
            sock.setblocking(False)
            _hold_to_link(sock, self.source, zone)
            with audit_hook.granted(sock, f"{group}%{zone}" if zone else group, port, self.source):
                sock.bind((self.source, 0, 0, zone) if self.v6 else (self.source, 0))
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
                            while len(found) + len(link_local) + len(elsewhere) < MOST_ANSWERS:
                                data, peer = await loop.sock_recvfrom(sock, READ_LIMIT)
                                received += len(data)
                                address = str(ip_address(peer[0].partition("%")[0]))
                                if self.admits(address):
                                    found.setdefault(address, data)
                                elif self.v6 and ip_address(address).is_link_local:
                                    link_local.setdefault(address, data)
                                else:
                                    elsewhere.add(address)
        cost = Cost(datagrams=sent, bytes_sent=sent * len(question), bytes_received=received)
        return GroupAnswers(by_address=found, link_local=link_local, elsewhere=len(elsewhere), cost=cost)


def _hold_to_link(sock: socket.socket, source: str, zone: int) -> None:
    """Send to groups by the interface that has a source, and never beyond its link."""
    if zone:
        sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_HOPS, 1)
        sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_IF, zone)
    else:
        sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 1)
        sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(source))
