"""Ask many addresses for an ICMP echo without a privilege, where the system lets this user: a sign that somebody is there.

Linux has sockets for that (icmp(7)), and its setting ping_group_range says for whom.
"""

from __future__ import annotations

import contextlib
import secrets
import socket
from collections.abc import Iterator, Mapping
from ipaddress import IPv6Address
from struct import pack

from hardenprobe.network.sweep_sockets import READABLE, RECEIVED_AT_ONCE, Poller

# RFC 792 and RFC 4443 sections 4.1 and 4.2: protocol, type of the request, type of the reply.
_KINDS = {False: (socket.IPPROTO_ICMP, 8, 0), True: (socket.IPPROTO_ICMPV6, 128, 129)}
_HEADER = 8  # bytes


class Echo:
    """Echo requests to many addresses.

    Args:
        sources: Our own address for IPv4 (False) and IPv6 (True), None to let the system choose.
    """

    def __init__(self, sources: Mapping[bool, str | None], watched: Poller) -> None:
        self._watched = watched
        self._token = secrets.token_bytes(8)
        self._opened: dict[bool, socket.socket] = {}
        self.size = _HEADER + len(self._token)
        for v6, (protocol, *_) in _KINDS.items():
            with contextlib.suppress(OSError):  # not permitted, or no such family
                sock = socket.socket(socket.AF_INET6 if v6 else socket.AF_INET, socket.SOCK_DGRAM, protocol)
                self._opened[v6] = sock
                sock.setblocking(False)
                if source := sources[v6]:
                    sock.bind((source, 0))
                watched.watch(sock.fileno(), READABLE)

    def send(self, address: str, v6: bool) -> bool:
        """Send one request; False where none can be sent. The system fills in number and checksum."""
        if (sock := self._opened.get(v6)) is None:
            return False
        request = pack(">BBHHH", _KINDS[v6][1], 0, 0, 0, 1) + self._token
        try:
            sock.sendto(request, (address, 0))
        except OSError:  # what the system will not send is lost, as on the way
            return False
        return True

    def receive(self, descriptor: int) -> Iterator[str]:
        """Who has answered on a socket; nobody where it is none of these."""
        for v6, sock in self._opened.items():
            if sock.fileno() != descriptor:
                continue
            for _ in range(RECEIVED_AT_ONCE):
                try:
                    data, peer = sock.recvfrom(2048)
                except BlockingIOError:
                    break
                except OSError:
                    continue
                if data[:1] == bytes([_KINDS[v6][2]]) and data[_HEADER:] == self._token:
                    yield str(IPv6Address(peer[0].partition("%")[0])) if v6 else peer[0]

    def close(self) -> None:
        for sock in self._opened.values():
            self._watched.forget(sock.fileno())
            sock.close()
