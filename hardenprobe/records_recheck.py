"""What a review keeps of findings that were asked about again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Rechecked:
    """A finding of an earlier review that this one asked about again.

    Attributes:
        finding: Its key.
        device: Id.
        check: Id.
    """

    finding: str
    device: str
    check: str


def checks_of(rechecked: Iterable[Rechecked]) -> dict[str, frozenset[str]]:
    """Device to the checks whose findings were asked about again."""
    found: dict[str, set[str]] = {}
    for one in rechecked:
        found.setdefault(one.device, set()).add(one.check)
    return {device: frozenset(checks) for device, checks in found.items()}
