"""Counts of a review as OpenMetrics text, for a monitoring system.

Nothing is labelled by device: a series for each would grow without bound, and device names do not belong in a monitoring system.
Labels are check ids, result words, severities and kinds of device, and there are at most `MOST` checks.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from typing import TYPE_CHECKING, BinaryIO

from hardenprobe.model import Word
from hardenprobe.reports.source import Source
from hardenprobe.reports.survey import Survey
from hardenprobe.reports.text import SEVERITIES, visible

if TYPE_CHECKING:
    from prometheus_client.core import Metric

MOST = 200
"""Checks with a label of their own; those beyond are counted as `other`."""

_KINDS = 20  # of device; an inventory file admits five, a store that somebody edited any


def write(source: Source, out: BinaryIO) -> None:
    """Write the exposition, its last line `# EOF`."""
    from prometheus_client.openmetrics.exposition import generate_latest

    # The library's types ask for a registry; its function only ever calls collect().
    generate: Callable[[_Metrics], bytes] = generate_latest
    out.write(generate(_Metrics(source)))


class _Metrics:
    """What the library's writer takes for a registry."""

    def __init__(self, source: Source) -> None:
        self.survey = Survey(source)
        self.head = source.outline.head
        self.kept = frozenset(self.survey.checks[:MOST])

    def collect(self) -> Iterable[Metric]:
        from prometheus_client.core import GaugeMetricFamily, InfoMetricFamily

        def gauge(name: str, said: str, value: float, unit: str = "") -> GaugeMetricFamily:
            return GaugeMetricFamily(f"hardenprobe_{name}", said, value=value, unit=unit)

        def by(
            name: str, said: str, labels: list[str], counts: Counter[tuple[str, ...]]
        ) -> GaugeMetricFamily:
            family = GaugeMetricFamily(f"hardenprobe_{name}", said, labels=labels)
            for key, count in sorted(counts.items()):
                family.add_metric([visible(part, 100) for part in key], count)
            return family

        head, coverage = self.head, self.survey.review.coverage
        yield InfoMetricFamily(
            "hardenprobe_review",
            "Which review this is.",
            value={
                "review": visible(head.id, 100),
                "scope": visible(head.scope, 200),
                "version": visible(head.versions.get("hardenprobe", "unknown"), 40),
            },
        )
        for name, moment in (("started", head.started), ("finished", head.finished)):
            if seconds := _seconds(moment):
                yield gauge(
                    f"review_{name}_timestamp_seconds", f"When the review {name}.", seconds, "seconds"
                )
        yield by("devices", "Devices that were reviewed, by kind.", ["kind"], self._devices())
        yield by("results", "Results by check and word.", ["check", "result"], self._results())
        yield by("findings", "Open findings, by check and severity.", ["check", "severity"], self._findings())
        yield by(
            "findings_by_owner",
            "Open findings without a risk acceptance, by owner and whether they are overdue.",
            ["owner", "overdue"],
            self._owned(),
        )
        yield by(
            "findings_not_reassessed",
            "Findings of earlier reviews that are open as far as is known and were not reassessed, by severity and whether overdue.",
            ["severity", "overdue"],
            self._carried(),
        )
        first = min((one.open_since for one in self.survey.dates.values()), default=None)
        if seconds := _seconds(first):
            yield gauge(
                "findings_oldest_timestamp_seconds",
                "Since when the oldest of them is open.",
                seconds,
                "seconds",
            )
        yield gauge("findings_accepted", "Findings with a risk acceptance.", self.survey.accepted)
        yield gauge(
            "results_undetermined", "Results that are not determined.", self.survey.asked - self.survey.told
        )
        for name, number in (
            ("planned", coverage.planned),
            ("visited", coverage.visited),
            ("answered", coverage.answered),
        ):
            yield gauge(f"addresses_{name}", f"Addresses {name}.", number)
        yield gauge("devices_missed", "Expected devices that were not reached.", len(self.survey.missed))
        yield gauge(
            "devices_unlisted",
            "Addresses that answered and are in no inventory.",
            len(coverage.seen_not_listed),
        )
        yield gauge("cost_connections", "Connections that the scan cost the devices.", head.cost.connections)
        yield gauge("cost_datagrams", "Datagrams that the scan cost the devices.", head.cost.datagrams)
        yield gauge("cost_line_seconds", "Connection time.", head.cost.seconds, "seconds")

    def _devices(self) -> Counter[tuple[str, ...]]:
        kinds = Counter(device.kind for device in self.survey.review.devices)
        counts: Counter[tuple[str, ...]] = Counter()
        for number, (kind, count) in enumerate(kinds.most_common()):
            counts[(kind if number < _KINDS else "other",)] += count
        return counts

    def _results(self) -> Counter[tuple[str, ...]]:
        counts: Counter[tuple[str, ...]] = Counter()
        for kind, count in self.survey.results.items():
            if kind.word is not Word.NOTSELECTED:
                counts[(self._label(kind.check), kind.word)] += count
        return counts

    def _findings(self) -> Counter[tuple[str, ...]]:
        """A check that has results and no finding is 0 for every severity: a series that vanishes raises no alarm."""
        counts: Counter[tuple[str, ...]] = Counter(dict.fromkeys(self._severities(), 0))
        for kind, count in self.survey.results.items():
            if kind.word is Word.FAIL and not kind.accepted:
                counts[(self._label(kind.check), kind.severity or "unrated")] += count
        return counts

    def _owned(self) -> Counter[tuple[str, ...]]:
        owners = Counter[str]()
        for (owner, _), count in self.survey.owned.items():
            owners[owner] += count
        kept = {owner for owner, _ in owners.most_common(MOST)}
        counts: Counter[tuple[str, ...]] = Counter()
        for (owner, overdue), count in self.survey.owned.items():
            counts[owner if owner in kept else "other", overdue] += count
        return counts

    def _carried(self) -> Counter[tuple[str, ...]]:
        """Those without a risk acceptance; 0 where there are none: a series that vanishes raises no alarm."""
        counts: Counter[tuple[str, ...]] = Counter()
        for severity in SEVERITIES:
            counts.update({(str(severity), overdue): 0 for overdue in ("no", "yes")})
        counts.update(self.survey.carried.counts)
        return counts

    def _severities(self) -> Iterator[tuple[str, ...]]:
        for check in self.survey.checks:
            for severity in SEVERITIES:
                yield (self._label(check), severity)

    def _label(self, check: str) -> str:
        return check if check in self.kept else "other"


def _seconds(moment: str | None) -> float | None:
    try:
        return datetime.fromisoformat(moment).timestamp() if moment else None
    except (ValueError, OverflowError):
        return None
