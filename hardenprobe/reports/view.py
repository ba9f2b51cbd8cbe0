"""What every report shows of a review, counted and grouped once. Nothing is judged, scored or ranked here."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property

from hardenprobe.judging.counts import Counts, Tally
from hardenprobe.model import (
    NOT_PLANNED,
    Advice,
    Answered,
    CheckNote,
    Cost,
    Device,
    Missed,
    Reason,
    Remedy,
    Result,
    Review,
    Severity,
    Word,
)
from hardenprobe.reports.text import SEVERITIES, counted


@dataclass
class Untold:
    """A check that could not be told for one reason.

    Attributes:
        devices: Ids of the devices, with their labels.
        error: What is said of the first of them that is in error.
    """

    check: str
    reason: Reason | None
    word: Word
    devices: dict[str, str] = field(default_factory=dict)
    error: str | None = None


class View:
    """A review with the groupings that reports need.

    Args:
        tally: The counts, where the review is given without its results.
    """

    def __init__(self, review: Review, tally: Tally | None = None) -> None:
        self.review = review
        self.tally = tally or Tally.of(review.results, (device.id for device in review.devices))
        self.device: dict[str, Device] = {device.id: device for device in review.devices}
        self.note: dict[str, CheckNote] = {note.id: note for note in review.checks}
        self.rank: dict[str, int] = {one.remedy.id: one.rank for one in review.what_first}
        self.remedy: dict[str, Remedy] = {one.remedy.id: one.remedy for one in review.what_first}

    def label(self, device: str) -> str:
        """How people call a device; its id where the review does not hold it."""
        known = self.device.get(device)
        return known.label if known else device

    def title(self, check: str) -> str:
        """The title of a check; its id where the review does not hold it."""
        known = self.note.get(check)
        return known.title if known else check

    @property
    def counts(self) -> dict[str, Counts]:
        return self.tally.devices

    @cached_property
    def worst_score(self) -> float | None:
        """Highest base score of a standing finding over the whole fleet, None where none stands."""
        return max((one.worst for one in self.counts.values() if one.worst is not None), default=None)

    @property
    def standing(self) -> Counter[Severity | None]:
        """Standing findings by severity over the whole fleet."""
        return self.tally.standing

    @cached_property
    def missed(self) -> tuple[Missed, ...]:
        """Listed devices that were looked for and not met."""
        return tuple(m for m in self.review.coverage.listed_not_seen if m.why != NOT_PLANNED)

    @property
    def elsewhere(self) -> int:
        """How many listed devices live at addresses that this scan did not ask."""
        return len(self.review.coverage.listed_not_seen) - len(self.missed)

    @property
    def accepted(self) -> int:
        return self.tally.accepted

    @cached_property
    def lapsed(self) -> tuple[str, ...]:
        """What counts again although it was accepted once, one line for each exception and reason."""
        return tuple(
            f"{id} no longer covers {check} on {self.label(device)}"
            + (f" and {counted(number - 1, 'more finding')}" if number > 1 else "")
            + f": {why}"
            for (id, why), (number, check, device) in self.tally.lapsed.items()
        )

    @cached_property
    def people(self) -> Counter[str]:
        """How many answers of people the baseline wants, by state: one a control and device."""
        counts: Counter[str] = Counter()
        for one in self.review.statements:
            if one.required:
                counts[one.state] += len(one.devices)
        return counts

    @cached_property
    def unanswered(self) -> tuple[Answered, ...]:
        """The controls that somebody must still answer, or answer anew."""
        return tuple(one for one in self.review.statements if one.required and one.state != "answered")

    def people_summary(self) -> str:
        """One sentence on what people answer for; "" where nothing is asked of them."""
        total = sum(self.people.values())
        if not total:
            return ""
        controls = len({one.control for one in self.review.statements if one.required})
        wanted = f"{counted(controls, 'control')} on {counted(len(self.review.devices), 'device')}"
        states = ", ".join(
            f"{self.people[state]:,} {state}" for state in ("answered", "expired", "unanswered")
        )
        return f"People answer for {wanted}: {states}."

    @property
    def asked(self) -> int:
        """Results but for what was left out on purpose."""
        return self.tally.asked

    @property
    def told(self) -> int:
        return self.tally.told

    @cached_property
    def untold(self) -> tuple[Untold, ...]:
        """What could not be told, by check and reason, the most devices first."""
        groups = [
            Untold(
                check=check,
                reason=reason,
                word=word,
                devices={held: self.label(held) for held in devices},
                error=self.tally.errors.get(check) if word is Word.ERROR else None,
            )
            for (check, reason, word), devices in self.tally.untold.items()
        ]
        return tuple(sorted(groups, key=lambda group: (-len(group.devices), group.check)))

    @cached_property
    def devices(self) -> tuple[Device, ...]:
        """The devices, those with the most findings of the worst severity first."""

        def order(device: Device) -> tuple[int, ...]:
            counts = self.counts[device.id]
            return (*(-counts.standing[severity] for severity in SEVERITIES), -counts.untold)

        return tuple(sorted(self.review.devices, key=order))

    def waits_for(self, advice: Advice) -> str:
        """The ranks of the remedies that come first, as text."""
        return ", ".join(f"no. {self.rank[id]}" if id in self.rank else id for id in advice.waits_for)

    def summary(self) -> str:
        """One paragraph: what was scanned, by whom, from where, how long, at which cost, and with which outcome."""
        head, coverage = self.review.head, self.review.coverage
        names = " and ".join(vantage.name for vantage in self.review.vantages) or "no vantage point"
        devices = counted(len(self.review.devices), "device")
        planned = counted(coverage.planned, "planned address", "planned addresses")
        when = duration_text(head.started, head.finished)
        said = [
            f"{head.scope}: {coverage.answered:,} of {planned} answered, {devices} in all.",
            f"Asked by {head.asked_by}, from {names}, on {when}, no further than reach {head.reach}.",
            f"Cost: {cost_text(head.cost)}.",
        ]
        if head.interrupted:
            said.append("The scan was stopped before it was done.")
        if not coverage.answered:
            said.append("No device answered, so nothing is proven about any of them.")
        counts = ", ".join(f"{self.standing[severity]} {severity}" for severity in SEVERITIES)
        standing = sum(self.standing.values())
        said.append(f"{counted(standing, 'finding')} {'stands' if standing == 1 else 'stand'}: {counts}.")
        if self.worst_score is not None:
            said.append(f"The worst score is {self.worst_score}.")
        if self.accepted:
            said.append(
                f"{counted(self.accepted, 'more finding')} {'has' if self.accepted == 1 else 'have'} a running exception."
            )
        said.append(f"{self.told:,} of {counted(self.asked, 'result')} could be determined.")
        checks = sum(one.checks for one in self.counts.values())
        determined = sum(one.determined for one in self.counts.values())
        if checks:
            said.append(
                f"Counted by check and device, {determined:,} of {checks:,} were ({share_text(determined, checks)})."
            )
        if head.judged_from:
            said.append(f"Nothing was asked anew: the observations are those of review {head.judged_from}.")
        if head.rechecks:
            said.append(
                f"Only what proves {counted(len(head.rechecked), 'finding')} of review {head.rechecks} was asked again; "
                "it says nothing of the rest."
            )
        if head.port_offset:
            said.append(
                f"Port offset {head.port_offset}: a lab, whose port 80 is reached at {80 + head.port_offset}."
            )
        return " ".join(said)


def share_text(part: int, whole: int) -> str:
    """Say a share in per cent, rounded down, so that only all of it is 100 %."""
    return f"{100 * part // whole} %"


def scores_text(result: Result) -> str:
    """Say the scores of a finding, the base score first."""
    if result.score is None:
        return "not rated"
    local = (("temporal", result.temporal), ("environmental", result.environmental))
    more = "".join(f", {name} {value}" for name, value in local if value is not None)
    return f"{result.score}{more}"


def cost_text(cost: Cost) -> str:
    """Say what asking has cost."""
    return (
        f"{counted(cost.connections, 'connection')}, {counted(cost.datagrams, 'datagram')}, "
        f"{counted(cost.bytes_sent, 'byte')} sent, {counted(cost.bytes_received, 'byte')} received and "
        f"{cost.seconds:,.1f} s on the line"
    )


def duration_text(started: str, finished: str | None) -> str:
    """Say when something ran and how long; the times as stored where they are no ISO 8601."""
    try:
        begun = datetime.fromisoformat(started)
        seconds = round((datetime.fromisoformat(finished) - begun).total_seconds()) if finished else None
        when = f"{begun.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"
    except (ValueError, TypeError, OverflowError):
        return f"{started} to {finished or 'an unknown end'}"
    if seconds is None:
        return f"{when} (unfinished)"
    minutes, rest = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    parts = [f"{hours} h"] * bool(hours) + [f"{minutes} min"] * bool(minutes) + [f"{rest} s"]
    return f"{when} for {' '.join(parts)}"
