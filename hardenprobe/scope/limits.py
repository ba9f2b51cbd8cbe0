"""The gentler of two: what a baseline and a scope set as waits, limits and rate of a scan."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

from hardenprobe.errors import FileInvalid
from hardenprobe.model.yaml_file import Document

TlsEnumeration = Literal["complete", "classes"]  # every cipher suite, or one of each class


@dataclass(frozen=True, kw_only=True)
class Gentleness:
    """Ceilings of a scope; each None leaves the matter to the baseline, and the gentler of the two holds.

    Attributes:
        connections, datagrams, bytes_received, seconds: For one visit to a device.
        pause: Seconds between two connections to one device.
        connections_at_once: To one device; there is never more than one, and writing it down changes nothing.
        devices_at_once: How many different devices may be visited at the same moment.
        connections_per_second: Of the whole scan. The default is a tenth of what a busy office switch takes without
            notice (common practice (no published requirement)).
    """

    connections: int | None = None
    datagrams: int | None = None
    bytes_received: int | None = None
    seconds: float | None = None
    pause: float | None = None
    connections_at_once: int | None = None
    devices_at_once: int | None = None
    connections_per_second: float | None = 100.0

    def narrowed(self, other: Gentleness) -> Gentleness:
        """The gentler of the two in everything."""
        mine, theirs = asdict(self), asdict(other)
        both = {
            key: (max if key == "pause" else min)(value, theirs[key])
            for key, value in mine.items()
            if value is not None and theirs[key] is not None
        }
        return Gentleness(**{key: both.get(key, mine[key] or theirs[key]) for key in mine})

    def tighten(self, timing: Timing) -> Timing:
        """A baseline's waits and limits, none of them beyond these."""
        held = {
            key: (max if key == "pause" else min)(mine, getattr(timing, key))
            for key, mine in asdict(self).items()
            if mine is not None
        }
        return replace(timing, **held)


def faults(document: Document, values: Mapping[str, Any]) -> Iterator[FileInvalid]:
    """What is no wait or limit in the `gentleness` of a file, each with file, line and how to fix it."""
    for key, value in values.items():
        if value is None:
            continue
        spot = ("gentleness", key)
        if not (math.isfinite(value) and (value > 0 or (key == "pause" and value == 0))):
            yield document.fault(spot, f"gentleness.{key} is {value}, expected a number above 0")
        elif key == "connections_at_once" and value != 1:
            yield document.fault(
                spot,
                f"gentleness.{key} is {value}, expected 1: a device never has two connections to bear at a time",
            )


@dataclass(frozen=True, kw_only=True)
class Timing:
    """Named waits, in seconds, the limits of one device, and those of the whole scan.

    Attributes:
        connect: For a connection to be accepted or refused.
        greeting: For a peer that speaks first.
        reply: For an answer to something that was said.
        pause: Between two connections to one device.
        second_try: Until the second try of a device that was expected and silent has ended.
        connections_at_once: To one device; there is never more than one.
        devices_at_once: Different devices that are visited at the same moment.
        connections_per_second: Of the whole scan, its sweep among it; a datagram counts as one.
    """

    connect: float = 2.0
    greeting: float = 1.0
    reply: float = 4.0
    pause: float = 0.02
    second_try: float = 4.0
    connections: int = 120
    datagrams: int = 60
    bytes_received: int = 4_000_000
    seconds: float = 300.0
    connections_at_once: int = 1
    devices_at_once: int = 32
    connections_per_second: float = 1000.0
