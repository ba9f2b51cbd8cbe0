"""The order of work: remediations by the risk that they reduce."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from hardenprobe.model import Advice, Device, DeviceAdvice, Placed, Remedy, Result, Severity
from hardenprobe.remediation.fit import administration_left
from hardenprobe.standards.ccss import severity


class _Scores(NamedTuple):
    """Of one finding."""

    local: float
    base: float


@dataclass(slots=True)
class _Work:
    """What a remediation closes so far.

    Attributes:
        left: Device to what it can be administered by afterwards; only devices that lose a means of administration.
    """

    devices: list[str] = field(default_factory=list)
    findings: list[str] = field(default_factory=list)
    risk: float = 0.0
    worst: float = 0.0
    left: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def merge(self, other: _Work) -> None:
        self.devices += other.devices
        self.findings += other.findings
        self.risk += other.risk
        self.worst = max(self.worst, other.worst)
        self.left |= other.left

    def add(self, device: str, scores: Mapping[str, _Scores]) -> None:
        """Add findings of one device."""
        self.devices.append(device)
        self.findings += scores
        self.risk += sum(one.local for one in scores.values())
        self.worst = max(self.worst, *(one.base for one in scores.values()))


class _Place(NamedTuple):
    """A remediation in the order, and why it is there."""

    key: str
    placed: Placed = "risk"
    before: str | None = None


class Ranking:
    """Remediations in the order of the risk that they reduce, taken device by device.

    The most risk comes first, with two exceptions. A remediation that closes a high finding goes before every one that
    concerns a single device and closes none. A remediation never comes before one that one of its own devices needs
    first; the one that is needed is moved up to just before it.
    """

    def __init__(self) -> None:
        self._work: dict[str, _Work] = {}

    def add(self, device: Device, results: Iterable[Result]) -> None:
        """Add all results of one device; once for each device."""
        found: dict[str, dict[str, _Scores]] = {}
        for result in results:
            if result.stands and result.remedy:
                _note(found.setdefault(result.remedy, {}), result)
        for key, scores in found.items():
            work = self._work.setdefault(key, _Work())
            work.add(device.id, scores)
            if (left := administration_left(key, device)) is not None:
                work.left[device.id] = left

    def merge(self, other: Ranking) -> None:
        """Add what other devices need, which come after these."""
        for key, work in other._work.items():
            self._work.setdefault(key, _Work()).merge(work)

    def advice(self, remedies: Mapping[str, Remedy]) -> tuple[Advice, ...]:
        """The order of work."""
        waits = {key: self._waits(remedies[key]) for key in self._work}
        return tuple(
            Advice(
                rank=i,
                remedy=remedies[place.key],
                devices=tuple(work.devices),
                findings=tuple(work.findings),
                risk_removed=round(work.risk, 1),
                worst=severity(work.worst),
                waits_for=tuple(waits[place.key]),
                placed=place.placed,
                placed_before=place.before,
                on_devices=tuple(_on_devices(work, waits[place.key])),
            )
            for i, place in enumerate(self._order(waits), 1)
            for work in (self._work[place.key],)
        )

    def _waits(self, remedy: Remedy) -> dict[str, frozenset[str]]:
        """What must come first, with the devices of this remediation that need it."""
        mine = frozenset(self._work[remedy.id].devices)
        shared = {
            key: mine.intersection(self._work[key].devices) for key in remedy.after if key in self._work
        }
        return {key: devices for key, devices in shared.items() if devices}

    def _order(self, waits: Mapping[str, Iterable[str]]) -> list[_Place]:
        order: dict[str, _Place] = {}

        def put(place: _Place, path: tuple[str, ...]) -> None:
            if place.key in order or place.key in path:
                return
            for before in waits[place.key]:
                put(_Place(before, "prerequisite", place.key), (*path, place.key))
            order[place.key] = place

        for place in self._by_risk():
            put(place, ())
        return list(order.values())

    def _by_risk(self) -> Iterator[_Place]:
        """The most risk first; those with a high finding before those of one device without."""
        risk = {key: round(work.risk, 1) for key, work in self._work.items()}
        keys = sorted(risk, key=lambda k: (-risk[k], k))
        high = [key for key in keys if severity(self._work[key].worst) is Severity.HIGH]
        first_small = next((k for k in keys if k not in high and len(self._work[k].devices) == 1), None)
        moved = high if first_small is None else [k for k in high if keys.index(k) > keys.index(first_small)]
        for key in keys:
            if key == first_small:
                yield from (_Place(one, "high", first_small) for one in moved)
            if first_small is None or key not in moved:
                yield _Place(key)


def rank(
    devices: Iterable[Device], results: Iterable[Result], remedies: Mapping[str, Remedy]
) -> tuple[Advice, ...]:
    """Order the remediations of open findings."""
    by_device: dict[str, list[Result]] = {}
    for result in results:
        by_device.setdefault(result.device, []).append(result)
    ranking = Ranking()
    for device in devices:
        ranking.add(device, by_device.get(device.id, ()))
    return ranking.advice(remedies)


def _on_devices(work: _Work, waits: Mapping[str, frozenset[str]]) -> Iterator[DeviceAdvice]:
    for device in work.devices:
        first = tuple(key for key, devices in waits.items() if device in devices)
        left = work.left.get(device)
        if first or left is not None:
            yield DeviceAdvice(device=device, waits_for=first, administration_left=left)


def _note(scores: dict[str, _Scores], result: Result) -> None:
    """Note a finding; one that was seen from several vantage points counts once, as the worst sight of it."""
    known = scores.get(result.finding, _Scores(0.0, 0.0))
    scores[result.finding] = _Scores(
        max(known.local, result.local_score), max(known.base, result.score or 0.0)
    )
