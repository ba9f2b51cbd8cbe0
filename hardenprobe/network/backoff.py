"""Backs off from a device that no longer bears what it bore before.

A port that has accepted once in a visit and then refuses or is silent is a sign, and so is a connection for which the
kernel had to ask twice: a device whose queue is full drops requests. Each sign lengthens the pause between connections;
after three the device is left alone. Common practice (no published requirement).
"""

from __future__ import annotations

import socket
import struct
import sys
from dataclasses import dataclass, field

from hardenprobe.errors import CeilingReached

PAUSES = (0.5, 2.0)  # seconds between connections after the first sign, and after the second
_TOTAL_RETRANSMISSIONS = struct.Struct("=100xI")  # Linux, tcp.h: tcpi_total_retrans of struct tcp_info


@dataclass(eq=False, kw_only=True)
class Backoff:
    """What one device has shown of its strength, over all of its addresses.

    Attributes:
        signs: What was seen, in the order of time, each in words for people.
    """

    signs: list[str] = field(default_factory=list)
    _accepted: set[tuple[str, int]] = field(default_factory=set)

    @property
    def pause(self) -> float:
        """Seconds between connections, 0 while the device is well."""
        return PAUSES[min(len(self.signs), len(PAUSES)) - 1] if self.signs else 0.0

    @property
    def summary(self) -> str | None:
        """What was done about it, for people; None where nothing was."""
        if not self.signs:
            return None
        left = ", then left it alone" if len(self.signs) > len(PAUSES) else ""
        return f"{'; '.join(self.signs)}; hardenprobe waited longer between connections{left}"

    def check(self, address: str) -> None:
        """Refuse to ask a device that has shown too many signs.

        Raises:
            CeilingReached: Says the last of them.
        """
        if len(self.signs) > len(PAUSES):
            raise CeilingReached(f"{address} is left alone, since it bears no more: {self.signs[-1]}")

    def accepted(self, address: str, port: int, sock: socket.socket) -> None:
        """Note that a connection was made."""
        if (address, port) in self._accepted and _asked_twice(sock):
            self.signs.append(f"{port}/tcp of {address} took a connection only when it was asked again")
        self._accepted.add((address, port))

    def unreachable(self, address: str, port: int, state: str) -> None:
        """Note that a connection was not made."""
        if (address, port) in self._accepted:
            self.signs.append(f"{port}/tcp of {address} accepted, and then was {state}")


def _asked_twice(sock: socket.socket) -> bool:
    """Tell whether the kernel had to repeat the request for a connection; never where it does not say."""
    if sys.platform != "linux":
        return False
    try:
        info = sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, _TOTAL_RETRANSMISSIONS.size)
    except OSError:
        return False
    return len(info) == _TOTAL_RETRANSMISSIONS.size and _TOTAL_RETRANSMISSIONS.unpack(info)[0] > 0
