"""What to do first: remedies in the order of work."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from hardenprobe.model import Advice, Remedy, Result
from hardenprobe.standards.ccss import severity


class _Scores(NamedTuple):
    """Of one finding."""

    local: float
    base: float


@dataclass(slots=True)
class _Work:
    """What a remedy mends so far."""

    devices: list[str] = field(default_factory=list)
    findings: list[str] = field(default_factory=list)
    risk: float = 0.0
    worst: float = 0.0

    def merge(self, other: _Work) -> None:
        self.devices += other.devices
        self.findings += other.findings
        self.risk += other.risk
        self.worst = max(self.worst, other.worst)

    def add(self, device: str, scores: Mapping[str, _Scores]) -> None:
        """Add findings of one device."""
        self.devices.append(device)
        self.findings += scores
        self.risk += sum(one.local for one in scores.values())
        self.worst = max(self.worst, *(one.base for one in scores.values()))


class Ranking:
    """Remedies in the order of the risk that they remove, taken device by device.

    The most risk removed comes first, except that a remedy never comes before one of the list that it needs; the one
    that is needed is pulled up to just before it. A general remedy counts by what no other one mends; where that is
    nothing, it comes last.

    Args:
        general: The ids of the general remedies.
    """

    def __init__(self, general: frozenset[str]) -> None:
        self._general = general
        self._work: dict[str, _Work] = {}
        self._alone: dict[str, _Work] = {}  # of general remedies, what no other one mends

    def add(self, device: str, results: Iterable[Result]) -> None:
        """Add all results of one device; once for each device."""
        standing = [r for r in results if r.stands and r.remedy]
        mended = {_port(r) for r in standing if r.endpoint and r.remedy and r.remedy not in self._general}
        all_of: dict[str, dict[str, _Scores]] = {}
        alone: dict[str, dict[str, _Scores]] = {}
        for result in standing:
            assert result.remedy is not None
            _note(all_of.setdefault(result.remedy, {}), result)
            if result.remedy in self._general and _port(result) not in mended:
                _note(alone.setdefault(result.remedy, {}), result)
        for kept, found in ((self._work, all_of), (self._alone, alone)):
            for key, scores in found.items():
                kept.setdefault(key, _Work()).add(device, scores)

    def merge(self, other: Ranking) -> None:
        """Add what other devices need, which come after these."""
        for mine, theirs in ((self._work, other._work), (self._alone, other._alone)):
            for key, work in theirs.items():
                mine.setdefault(key, _Work()).merge(work)

    def advice(self, remedies: Mapping[str, Remedy]) -> tuple[Advice, ...]:
        """The order of work."""
        risk = {key: round(work.risk, 1) for key, work in self._work.items()}
        chosen = dict(self._work)
        for key, work in self._work.items():
            if key in self._general:
                alone = self._alone.get(key)
                risk[key] = round(alone.risk, 1) if alone else 0.0
                chosen[key] = alone or work
        return tuple(
            Advice(
                rank=i,
                remedy=remedies[key],
                devices=tuple(chosen[key].devices),
                findings=tuple(chosen[key].findings),
                risk_removed=risk[key],
                worst=severity(chosen[key].worst),
                waits_for=tuple(k for k in remedies[key].after if k in chosen),
            )
            for i, key in enumerate(_order(risk, remedies), 1)
        )


def _order(risk: Mapping[str, float], remedies: Mapping[str, Remedy]) -> list[str]:
    order: list[str] = []

    def place(key: str, path: tuple[str, ...]) -> None:
        if key in order or key in path:
            return
        for before in remedies[key].after:
            if before in risk:
                place(before, (*path, key))
        order.append(key)

    for key in sorted(risk, key=lambda k: (-risk[k], k)):
        place(key, ())
    return order


def rank(results: Iterable[Result], remedies: Mapping[str, Remedy]) -> tuple[Advice, ...]:
    """Order the remedies of the findings that stand."""
    by_device: dict[str, list[Result]] = {}
    for result in results:
        by_device.setdefault(result.device, []).append(result)
    ranking = Ranking(general(remedies))
    for device, found in by_device.items():
        ranking.add(device, found)
    return ranking.advice(remedies)


def general(remedies: Mapping[str, Remedy]) -> frozenset[str]:
    """The ids of the general remedies."""
    return frozenset(key for key, remedy in remedies.items() if remedy.general)


def _note(scores: dict[str, _Scores], result: Result) -> None:
    """Note a finding; one that was seen from several vantage points counts once, as the worst sight of it."""
    known = scores.get(result.finding, _Scores(0.0, 0.0))
    scores[result.finding] = _Scores(
        max(known.local, result.local_score), max(known.base, result.score or 0.0)
    )


def _port(result: Result) -> tuple[str, str, int] | None:
    where = result.endpoint
    return (where.address, where.transport, where.port) if where else None
