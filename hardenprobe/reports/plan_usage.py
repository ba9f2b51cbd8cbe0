"""Who uses what the remediations of a plan change, gathered device by device."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from hardenprobe.model.usage import ServiceUsage
from hardenprobe.reports.source import Piece
from hardenprobe.reports.text import counted
from hardenprobe.reports.usage_text import ASKED_DAYS, days, summary

SHOWN = 20
"""Services in use that are listed for one remediation; the rest are counted."""


@dataclass(slots=True)
class _Work:
    """Of one remediation.

    Attributes:
        used: Services in use, one line each.
        clients: Of those services; 10,000 at most are told apart.
        short: Less is covered somewhere than the baseline asks for.
        least: The shortest time that is covered where no use was seen, in days.
    """

    used: list[str] = field(default_factory=list)
    number: int = 0
    clients: set[str] = field(default_factory=set)
    quiet: int = 0
    least: float = float("inf")
    short: bool = False
    unknown: int = 0


class PlanUsage:
    """What use is known of the services that open findings are about, by remediation.

    Args:
        asked: Name of a baseline to the days without use that it asks for.
    """

    def __init__(self, asked: Mapping[str, int] | None = None) -> None:
        self._asked = asked or {}
        self._work: dict[str, _Work] = {}

    def add(self, piece: Piece) -> None:
        """Add the open findings of one device."""
        found: dict[str, dict[tuple[str, int], ServiceUsage]] = {}
        for result in piece.results:
            usage = piece.usage.get(result.finding)
            if usage is not None and result.stands and result.remedy:
                found.setdefault(result.remedy, {})[usage.transport, usage.port] = usage
        baseline = piece.device.baseline.name if piece.device.baseline else ""
        days_asked = self._asked.get(baseline, ASKED_DAYS)
        for remedy, services in found.items():
            work = self._work.setdefault(remedy, _Work())
            for usage in services.values():
                _count(work, piece.device.label, usage, days_asked)

    def lines(self, remedy: str) -> tuple[str, ...]:
        """What to know of the users of a remediation's services before it is made, one line each; empty where nothing is kept.

        The first says whether somebody must be asked.
        """
        work = self._work.get(remedy)
        if work is None:
            return ()
        said = []
        if work.used:
            said.append(
                f"Coordinate with {counted(len(work.clients), 'client')} of {counted(work.number, 'service')} in use"
            )
            said += work.used
            if work.number > len(work.used):
                said.append(f"{counted(work.number - len(work.used), 'more service')} in use")
        elif not work.unknown and not work.short:
            said.append(f"Can be made at once: no use seen in at least {days(work.least)}")
        else:
            said.append("Users not determined")
        if work.quiet and (work.used or work.unknown or work.short):
            said.append(f"{counted(work.quiet, 'service')} without use seen, for {days(work.least)} at least")
        if work.unknown:
            said.append(f"{counted(work.unknown, 'service')} that no capture or flow record covers")
        return tuple(said)


def _count(work: _Work, label: str, usage: ServiceUsage, asked: int) -> None:
    if usage.state == "used":
        work.number += 1
        if len(work.clients) < 10_000:
            work.clients.update(user.client for user in usage.users)
        if len(work.used) < SHOWN:
            work.used.append(f"{usage.port}/{usage.transport} on {label}: {summary(usage)}")
    elif usage.state == "no-use-seen":
        work.quiet += 1
        work.least = min(work.least, usage.days)
        work.short |= usage.days < asked or usage.partial
    else:
        work.unknown += 1
