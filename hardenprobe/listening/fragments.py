"""Datagrams put together from fragments, in bounded memory.

A datagram whose fragments overlap is given up: no honest sender makes one (RFC 5722, RFC 8200 section 4.5).

Source: RFC 791 section 3.2; RFC 8200 section 4.5.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field

from hardenprobe.network.capture.frames import Frame

MOST = 256  # datagrams in fragments at once
PIECES = 64  # of one datagram; 64 kB in frames of 1,500 bytes are 45
LONGEST = 65535  # bytes of a datagram


@dataclass(slots=True)
class _Datagram:
    pieces: dict[int, bytes] = field(default_factory=dict)
    size: int | None = None


class Fragments:
    """Datagrams whose fragments have come so far.

    Attributes:
        lost: Datagrams that were given up: fragments overlap, are too many, or never came.
    """

    def __init__(self) -> None:
        self.lost = 0
        self._datagrams: OrderedDict[tuple[bytes, bytes, int, int], _Datagram] = OrderedDict()

    def add(self, ip: Frame, data: bytes) -> bytes | None:
        """Take a fragment.

        Args:
            data: What of the datagram it carries.

        Returns:
            The datagram, where it is whole by now.
        """
        key = (ip.source, ip.target, ip.protocol, ip.ident)
        known = self._datagrams.get(key)
        if known is None:
            if len(self._datagrams) >= MOST:
                self._datagrams.popitem(last=False)
                self.lost += 1
            known = self._datagrams[key] = _Datagram()
        known.pieces.setdefault(ip.offset, data)
        if not ip.more:
            known.size = ip.offset + len(data)
        if len(known.pieces) > PIECES or ip.offset + len(data) > LONGEST:
            self._give_up(key)
            return None
        if known.size is None or sum(map(len, known.pieces.values())) < known.size:
            return None
        whole = b""
        for offset, piece in sorted(known.pieces.items()):
            if offset != len(whole):
                self._give_up(key)
                return None
            whole += piece
        del self._datagrams[key]
        return whole

    def finish(self) -> None:
        """Count what never became whole."""
        self.lost += len(self._datagrams)
        self._datagrams.clear()

    def _give_up(self, key: tuple[bytes, bytes, int, int]) -> None:
        del self._datagrams[key]
        self.lost += 1
