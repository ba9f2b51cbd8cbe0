"""What a scan observed: devices and observations, nothing judged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from hardenprobe.model.device import Device
from hardenprobe.model.observation import Observation, Vantage
from hardenprobe.model.review import Coverage, Head, Review


@dataclass(frozen=True, kw_only=True)
class Observed:
    """What a scan observed. Its parts are those of a review that is yet to be judged.

    Attributes:
        observations: Device id to what was observed of it.
        notices: What people should know of the scan, one line each.
    """

    head: Head
    coverage: Coverage
    vantages: tuple[Vantage, ...]
    devices: tuple[Device, ...]
    observations: Mapping[str, tuple[Observation[Any], ...]]
    notices: tuple[str, ...] = ()

    def unjudged(self) -> Review:
        """The same as a review without results."""
        return Review(results=(), **vars(self))
