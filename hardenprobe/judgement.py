"""Judging a review, all of it at once or a few devices at a time, and what is said of it as a whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from hardenprobe import exceptions, guard, local_scores, statements
from hardenprobe.baseline import Baseline
from hardenprobe.baseline_choice import Expected, NotMeant
from hardenprobe.check import Fleet
from hardenprobe.decisions import Decisions
from hardenprobe.judge import Case, judge, notes
from hardenprobe.priorities import Ranking
from hardenprobe.records import Device, Head, Named, Observation, Remedy, Result, Review
from hardenprobe.registry import Registry
from hardenprobe.tally import Tally

Seen = Mapping[str, tuple[Observation[Any], ...]]
"""Device id to observations."""


class Judgement:
    """Takes the devices of a review and tells what the checks say of them.

    Args:
        review: What they belong to; its devices, results and observations are not looked at.
        expected: A choice of baselines, or one baseline for every device.
        decisions: What people decided and declared; None leaves what the review has of it.
        fleets: By vantage point, all devices of the review, where they come in several parts.

    Attributes:
        tally: The counts so far.
        devices: Those so far, without what they showed.
    """

    def __init__(
        self,
        review: Review,
        expected: Expected,
        registry: Registry,
        decisions: Decisions | None = None,
        fleets: Mapping[str, Fleet] | None = None,
    ) -> None:
        self.tally = Tally()
        self.devices: list[Device] = []
        self._review = review
        self._expected = expected
        self._registry = registry
        self._decided = decisions or Decisions()
        self._kept = decisions is None
        self._today = self._decided.day or review.head.started[:10]
        self._fleets = fleets
        self._chosen: dict[str, Baseline] = {}
        self._not_meant = NotMeant()
        self._refused: dict[str, None] = {}
        self._covered: set[str] = set()
        self._ranking = Ranking(remedies(registry))
        self._selected = frozenset(review.head.selected)
        self._granted = _granted(review.head)

    def part(
        self, devices: Sequence[Device], observations: Seen
    ) -> tuple[tuple[Device, ...], Seen, tuple[Result, ...]]:
        """Judge some devices; each is given once.

        Returns:
            The devices with the baseline that judged them; their observations, with what people state of them; and
            their results in the same order.
        """
        if not self._kept:
            observations = statements.observed(
                devices, observations, self._decided.statements, self._review.head.started, self._today
            )
        judged = tuple(self._with_baseline(device) for device in devices)
        results = self._judge(judged, observations)
        results = local_scores.weigh(results, judged, lambda d: self._chosen[d.id].file.ccss)
        results = exceptions.apply(results, judged, self._decided.exceptions, self._today)
        by_device: dict[str, list[Result]] = {d.id: [] for d in judged}
        for result in results:
            by_device[result.device].append(result)
            if result.exception:
                self._covered.add(result.exception.id)
            if result.lapsed:
                self._covered.add(result.lapsed.id)
        for device in judged:
            found = by_device[device.id]
            self.tally.add(device.id, found, self._chosen[device.id].must_determine)
            self._ranking.add(device.id, found)
            self.devices.append(replace(device, identity=(), services=()))
        return judged, observations, results

    def outline(self) -> Review:
        """The review without its devices, results and observations, after the last part."""
        review, decided = self._review, self._decided
        names = dict.fromkeys(one.name for one in self._chosen.values())
        notices = (*review.notices, *decided.notices, *self._not_meant.notices(), *self._refused)
        answers = review.statements
        if not self._kept:
            answers = statements.answered(
                self.devices, lambda d: self._chosen[d.id].people, decided.statements, self._today
            )
        return replace(
            review,
            head=replace(
                review.head,
                baselines=self._expected.rules,
                versions={**review.head.versions, "baseline": ", ".join(names) or "none"},
                ledger=decided.mark,
                decided_on=None if self._kept else self._today,
            ),
            notices=tuple(dict.fromkeys(notices)),
            devices=(),
            observations={},
            results=(),
            checks=notes(self._registry),
            what_first=self._ranking.advice(),
            exceptions=exceptions.notes(self._covered, decided.exceptions, self._today),
            statements=answers,
        )

    def _with_baseline(self, device: Device) -> Device:
        baseline = self._chosen[device.id] = self._expected.of(device)
        self._not_meant.add(device, baseline)
        return replace(device, baseline=Named(name=baseline.name, hash=baseline.hash))

    def _judge(self, devices: Sequence[Device], observations: Seen) -> tuple[Result, ...]:
        review = self._review
        case = Case(
            devices=devices,
            observations=observations,
            vantages=review.vantages,
            clock=review.head.clock,
            reach=review.head.reach,
            selected=self._selected,
            granted=self._granted,
            fleets=self._fleets,
        )
        # A check is somebody's code, and has no business on the network.
        with guard.watching():
            results = judge(case, self._expected, self._registry)
            self._refused |= dict.fromkeys(guard.tried())
        return results


def _granted(head: Head) -> frozenset[str] | None:
    """What the scope granted by name; None where it granted all, and for reviews that did not keep it."""
    grants = head.authorisation.grants if head.authorisation else None
    return None if grants is None else frozenset(grants)


def remedies(registry: Registry) -> dict[str, Remedy]:
    """Every remedy that the checks at hand name, by id."""
    return {check.remedy.id: check.remedy for check in registry.checks.values()}
