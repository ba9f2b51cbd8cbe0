"""Judging a review, all of it at once or a few devices at a time, and what is said of it as a whole."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

from hardenprobe.baseline.baseline import Baseline
from hardenprobe.baseline.selection import Expectations, KindMismatches
from hardenprobe.checking.check import Fleet
from hardenprobe.decisions import device_register, exceptions, statements
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.facts import NotMet
from hardenprobe.judging.counts import Tally
from hardenprobe.judging.overlap import counted_once, fitted
from hardenprobe.judging.ranking import Ranking
from hardenprobe.judging.run_checks import Case, notes, run_checks
from hardenprobe.model import Device, Head, Named, Observation, Remedy, Result, Review, checks_of
from hardenprobe.network import audit_hook
from hardenprobe.plugins.registry import Registry
from hardenprobe.remediation.fit import ALSO
from hardenprobe.standards import ccss_environment

Observations = Mapping[str, tuple[Observation[Any], ...]]
"""Device id to observations."""


class FleetTotals:
    """What is said of the devices together; a plain object that another process can hand over.

    Attributes:
        tally: The counts.
        devices: The devices, without what they showed.
        names: The baselines that judged them, each with its days for remediation, by severity.
        usage_days: Each of them with the days without use that it asks for.
        people: Device to the controls that people must answer for.
        refused: What checks tried that they may not.
        covered: Ids of the exceptions that cover a finding, or did once.
        met: The devices with the last step of their way into the fleet or out of it.
    """

    def __init__(self) -> None:
        self.tally = Tally()
        self.ranking = Ranking()
        self.not_meant = KindMismatches()
        self.devices: list[Device] = []
        self.names: dict[str, dict[str, int | None]] = {}
        self.usage_days: dict[str, int] = {}
        self.people: dict[str, tuple[str, ...]] = {}
        self.refused: dict[str, None] = {}
        self.covered: set[str] = set()
        self.met: list[device_register.MetDevice] = []

    def merge(self, other: FleetTotals) -> None:
        """Add other devices, which come after these."""
        self.tally.merge(other.tally)
        self.ranking.merge(other.ranking)
        self.not_meant.merge(other.not_meant)
        self.devices += other.devices
        self.names |= other.names
        self.usage_days |= other.usage_days
        self.people |= other.people
        self.refused |= other.refused
        self.covered |= other.covered
        self.met += other.met


class Judgement:
    """Takes the devices of a review and tells what the checks say of them.

    Args:
        review: What they belong to; its devices, results and observations are not looked at.
        expected: A choice of baselines, or one baseline for every device.
        decisions: What people decided and declared; None leaves what the review has of it.
        fleets: By vantage point, all devices of the review, where they come in several parts.

    Attributes:
        sums: What is said of the devices so far.
    """

    def __init__(
        self,
        review: Review,
        expected: Expectations,
        registry: Registry,
        decisions: Decisions | None = None,
        fleets: Mapping[str, Fleet] | None = None,
    ) -> None:
        self._review = review
        self._expected = expected
        self._registry = registry
        self._decided = decisions or Decisions()
        self._kept = decisions is None
        self._today = self._decided.day or review.head.started[:10]
        self._fleets = fleets
        self._worse: dict[str, exceptions.Way] = {
            id: check.worse for id, check in registry.checks.items() if check.worse
        }
        self._register = device_register.Register(self._decided.turns)
        self._remedies = remedies(registry)
        self._general = frozenset(key for key, remedy in self._remedies.items() if remedy.general)
        self.sums = FleetTotals()
        self._selected = frozenset(review.head.selected)
        self._only = checks_of(review.head.rechecked) if review.head.rechecks else None
        self._granted = _granted(review.head)

    def part(
        self, devices: Sequence[Device], observations: Observations
    ) -> tuple[tuple[Device, ...], Observations, tuple[Result, ...]]:
        """Judge some devices; each is given once.

        Returns:
            The devices with the baseline that judged them; their observations, with what people state of them; and
            their results in the same order.
        """
        if not self._kept:
            observations = statements.observed(
                devices,
                observations,
                self._decided.statements,
                self._review.head.started,
                self._today,
                self._decided.used,
            )
        chosen = {device.id: self._expected.of(device) for device in devices}
        judged = tuple(
            replace(d, baseline=Named(name=chosen[d.id].name, hash=chosen[d.id].hash)) for d in devices
        )
        results = fitted(counted_once(self._judge(judged, observations), self._general), observations)
        results = ccss_environment.weigh(results, judged, lambda d: chosen[d.id].file.ccss)
        results = exceptions.apply(
            results, judged, self._decided.exceptions, self._today, self._expected, self._worse
        )
        self._add(judged, results, chosen)
        self._look_up(judged, observations)
        return judged, observations, results

    def outline(self) -> Review:
        """The review without its devices, results and observations, after the last part."""
        review, decided = self._review, self._decided
        notices = (*review.notices, *decided.notices, *self.sums.not_meant.notices(), *self.sums.refused)
        answers, coverage = review.statements, review.coverage
        if not self._kept:
            notices = (*device_register.notices(self.sums.met), *notices)
            coverage = replace(coverage, **device_register.reconciled(self.sums.met, decided.turns))
            answers = statements.answered(
                self.sums.devices, lambda d: self.sums.people[d.id], decided.statements, self._today
            )
        return replace(
            review,
            head=replace(
                review.head,
                baselines=self._expected.rules,
                versions={**review.head.versions, "baseline": ", ".join(self.sums.names) or "none"},
                ledger=decided.mark,
                due_days=self.sums.names,
                usage_days=self.sums.usage_days,
                decided_on=None if self._kept else self._today,
            ),
            coverage=coverage,
            notices=tuple(dict.fromkeys(notices)),
            devices=(),
            observations={},
            results=(),
            checks=notes(self._registry),
            what_first=self.sums.ranking.advice(self._remedies),
            exceptions=exceptions.notes(self.sums.covered, decided.exceptions, self._today),
            statements=answers,
        )

    def fresh(self) -> Judgement:
        """The same without any devices yet."""
        return Judgement(
            self._review,
            self._expected,
            self._registry,
            None if self._kept else self._decided,
            self._fleets,
        )

    def _add(
        self, devices: Iterable[Device], results: Iterable[Result], chosen: Mapping[str, Baseline]
    ) -> None:
        by_device: dict[str, list[Result]] = {device_id: [] for device_id in chosen}
        for result in results:
            by_device[result.device].append(result)
            if result.exception:
                self.sums.covered.add(result.exception.id)
            if result.lapsed:
                self.sums.covered.add(result.lapsed.id)
        for device in devices:
            found, baseline = by_device[device.id], chosen[device.id]
            self.sums.tally.add(device.id, found, baseline.must_determine)
            self.sums.ranking.add(device, found)
            self.sums.not_meant.add(device, baseline)
            self.sums.names[baseline.name] = asdict(baseline.file.due_days)
            self.sums.usage_days[baseline.name] = baseline.file.usage_days
            self.sums.people[device.id] = baseline.people
            self.sums.devices.append(replace(device, identity=(), services=()))

    def _look_up(self, devices: Iterable[Device], observations: Observations) -> None:
        for device in devices:
            missed = any(isinstance(o.facts, NotMet) for o in observations.get(device.id, ()))
            self.sums.met.append(self._register.met(device, present=not missed))

    def _judge(self, devices: Sequence[Device], observations: Observations) -> tuple[Result, ...]:
        review = self._review
        case = Case(
            devices=devices,
            observations=observations,
            vantages=review.vantages,
            clock=review.head.clock,
            reach=review.head.reach,
            selected=self._selected,
            only=self._only,
            granted=self._granted,
            fleets=self._fleets,
        )
        # A check is somebody's code, and has no business on the network.
        with audit_hook.watching():
            results = run_checks(case, self._expected, self._registry)
            self.sums.refused |= dict.fromkeys(audit_hook.tried())
        return results


def _granted(head: Head) -> frozenset[str] | None:
    """What the scope granted by name; None where it granted all, and for reviews that did not keep it."""
    grants = head.authorisation.grants if head.authorisation else None
    return None if grants is None else frozenset(grants)


def remedies(registry: Registry) -> dict[str, Remedy]:
    """Every remedy that the checks at hand name, and those that take their place, by id."""
    return {**ALSO, **{check.remedy.id: check.remedy for check in registry.checks.values()}}
