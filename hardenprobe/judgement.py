"""Judging a review, all of it at once or a few devices at a time, and what is said of it as a whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from hardenprobe import guard
from hardenprobe.baseline_choice import Expected, NotMeant
from hardenprobe.check import Fleet
from hardenprobe.judge import Case, judge, notes
from hardenprobe.priorities import Ranking
from hardenprobe.records import Device, Named, Observation, Remedy, Result, Review
from hardenprobe.registry import Registry
from hardenprobe.tally import Tally


class Judgement:
    """Takes the devices of a review and tells what the checks say of them.

    Args:
        review: What they belong to; its devices, results and observations are not looked at.
        expected: A choice of baselines, or one baseline for every device.
        fleets: By vantage point, all devices of the review, where they come in several parts.

    Attributes:
        tally: The counts so far.
    """

    def __init__(
        self,
        review: Review,
        expected: Expected,
        registry: Registry,
        fleets: Mapping[str, Fleet] | None = None,
    ) -> None:
        self.tally = Tally()
        self._review = review
        self._expected = expected
        self._registry = registry
        self._fleets = fleets
        self._names: dict[str, None] = {}
        self._not_meant = NotMeant()
        self._refused: dict[str, None] = {}
        self._ranking = Ranking(remedies(registry))
        self._selected = frozenset(review.head.selected)

    def part(
        self, devices: Sequence[Device], observations: Mapping[str, tuple[Observation[Any], ...]]
    ) -> tuple[tuple[Device, ...], tuple[Result, ...]]:
        """Judge some devices; each is given once.

        Returns:
            The devices with the baseline that judged them, and their results in the same order.
        """
        review, judged = self._review, []
        chosen = {d.id: self._expected.of(d) for d in devices}
        for device in devices:
            baseline = chosen[device.id]
            self._names[baseline.name] = None
            self._not_meant.add(device, baseline)
            judged.append(replace(device, baseline=Named(name=baseline.name, hash=baseline.hash)))
        case = Case(
            devices=judged,
            observations=observations,
            vantages=review.vantages,
            clock=review.head.clock,
            reach=review.head.reach,
            selected=self._selected,
            fleets=self._fleets,
        )
        # A check is somebody's code, and has no business on the network.
        with guard.watching():
            results = judge(case, self._expected, self._registry)
            self._refused |= {f"{what} was refused": None for what in guard.refusals}
        by_device: dict[str, list[Result]] = {d.id: [] for d in judged}
        for result in results:
            by_device[result.device].append(result)
        for device_id, found in by_device.items():
            self.tally.add(device_id, found, chosen[device_id].must_determine)
            self._ranking.add(device_id, found)
        return tuple(judged), results

    def outline(self) -> Review:
        """The review without its devices, results and observations, after the last part."""
        review = self._review
        versions = {**review.head.versions, "baseline": ", ".join(self._names) or "none"}
        notices = (*review.notices, *self._not_meant.notices(), *self._refused)
        return replace(
            review,
            head=replace(review.head, baselines=self._expected.rules, versions=versions),
            notices=tuple(dict.fromkeys(notices)),
            devices=(),
            observations={},
            results=(),
            checks=notes(self._registry),
            what_first=self._ranking.advice(),
        )


def remedies(registry: Registry) -> dict[str, Remedy]:
    """Every remedy that the checks at hand name, by id."""
    return {check.remedy.id: check.remedy for check in registry.checks.values()}
