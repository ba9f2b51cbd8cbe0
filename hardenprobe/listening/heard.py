"""What was heard of one address: the observations that a scan would make, each place once, and nothing of who asked."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Literal

from hardenprobe.model import Endpoint, Exchange, Observation, Transport
from hardenprobe.model.transcript import EXCHANGES, KEPT, observation
from hardenprobe.probes.pki.certificates import TrustAnchors

MOST = 256  # observations of one address
_LAST = 253402300799  # seconds: the end of the year 9999
STAR = b"*"

Said = tuple[float, Literal["sent", "received"], bytes, int]
"""A piece of what was said: seconds, direction as the client sees it, the bytes as they may be kept, and how many there were."""


@dataclass(frozen=True, kw_only=True)
class Terms:
    """What decides how traffic is read.

    Attributes:
        vantage: Where it was seen.
        ports: TCP ports of the devices that matter.
        communities: The published defaults; any other is called "other".
        paths: Paths of web servers that may be named; of any other that it is one.
        port_offset: Added to every port of a lab.
    """

    vantage: str
    ports: frozenset[int]
    communities: tuple[str, ...]
    paths: frozenset[str]
    anchors: TrustAnchors
    port_offset: int = 0


@dataclass(kw_only=True)
class Heard:
    """What was heard of one address.

    Attributes:
        left_out: Observations beyond the limit.
    """

    address: str
    terms: Terms
    left_out: int = 0
    _kept: dict[Hashable, tuple[Any, Observation[Any]]] = field(default_factory=dict)

    def knows(self, key: Hashable, rank: Any = 0) -> bool:
        """As much is known of a place already."""
        return key in self._kept and self._kept[key][0] >= rank

    def keep(self, key: Hashable, seen: Observation[Any], rank: Any = 0) -> None:
        """Keep an observation of a place, in place of one that says less.

        Args:
            rank: How much it says, beside others of its place.
        """
        if self.knows(key, rank):
            return
        if key not in self._kept and len(self._kept) >= MOST:
            self.left_out += 1
            return
        self._kept[key] = (rank, seen)

    def observe(
        self, facts: Any, endpoint: Endpoint | None, seconds: float, said: Iterable[Said] = ()
    ) -> Observation[Any]:
        """Make an observation.

        Args:
            seconds: When it began, since 1970.
            said: What proves it, as it may be kept.
        """
        began = within(seconds)
        exchanges = tuple(
            Exchange(
                at=max(0.0, round(within(at) - began, 4)), direction=way, hex=data[:KEPT].hex(), length=length
            )
            for at, way, data, length in list(said)[:EXCHANGES]
        )
        return observation(facts, endpoint, self.terms.vantage, moment(seconds), exchanges)

    def at(
        self, port: int, protocol: str | None, transport: Transport = "tcp", path: str | None = None
    ) -> Endpoint:
        """A place of this address."""
        return Endpoint(address=self.address, transport=transport, port=port, protocol=protocol, path=path)

    @property
    def observations(self) -> tuple[Observation[Any], ...]:
        """All of them, in the order in which the places were met."""
        return tuple(seen for _, seen in self._kept.values())


def moment(seconds: float) -> str:
    """A time of a capture: UTC, ISO 8601 with milliseconds and Z; times that no clock has are the nearest that one has."""
    text = datetime.fromtimestamp(within(seconds), UTC).isoformat(timespec="milliseconds")
    return text.replace("+00:00", "Z")


def within(seconds: float) -> float:
    """The nearest time that a clock has."""
    return 0.0 if math.isnan(seconds) else min(max(seconds, 0.0), float(_LAST))


def starred(data: bytes) -> bytes:
    """As many stars as there are bytes."""
    return STAR * len(data)
