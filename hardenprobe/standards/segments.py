"""The segments of a baseline's policy: which services a network may reach, and which it needs."""

from __future__ import annotations

from dataclasses import dataclass

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.scope.ports import SERVICES


@dataclass(frozen=True, kw_only=True)
class Segment:
    """What may be reached from a network, by the words of ports.SERVICES."""

    name: str
    networks: tuple[str, ...]
    forbidden: tuple[str, ...] = ()
    needed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Raise ValueError for a network or a service that means nothing."""
        AddressSet.of(self.networks)
        for word in (*self.forbidden, *self.needed):
            if word not in SERVICES:
                raise ValueError(f"{word!r} is no service; known are {', '.join(sorted(SERVICES))}")
