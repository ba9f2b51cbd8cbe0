"""What every report shows of a review, counted and grouped once. Nothing is judged, scored or ranked here."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property
from itertools import accumulate

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
from hardenprobe.reports.plan_usage import PlanUsage
from hardenprobe.reports.text import SEVERITIES, counted, visible


@dataclass
class UndeterminedCheck:
    """A check that is not determined for one reason.

    Attributes:
        devices: Ids of the devices, with their labels.
        error: What is said of the first of them that is in error.
    """

    check: str
    reason: Reason | None
    word: Word
    devices: dict[str, str] = field(default_factory=dict)
    error: str | None = None


@dataclass(frozen=True, kw_only=True)
class UndeterminedReason:
    """A reason for which results were not determined.

    Attributes:
        checks: Each with how many devices it concerns.
        devices: How many devices altogether.
    """

    reason: Reason | None
    word: Word
    checks: tuple[tuple[str, int], ...]
    devices: int


class View:
    """A review with the groupings that reports need.

    Args:
        tally: The counts, where the review is given without its results.
        usage: Who uses what the plan changes, where that is known.
    """

    def __init__(self, review: Review, tally: Tally | None = None, usage: PlanUsage | None = None) -> None:
        self.review = review
        self.usage = usage or PlanUsage()
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
        """Highest base score of an open finding over the whole fleet, None where there is none."""
        return max((one.worst for one in self.counts.values() if one.worst is not None), default=None)

    @property
    def standing(self) -> Counter[Severity | None]:
        """Standing findings by severity over the whole fleet."""
        return self.tally.standing

    @cached_property
    def missed(self) -> tuple[Missed, ...]:
        """Expected devices that were not reached."""
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
        """Findings that are open again although they were accepted once, one line for each risk acceptance and reason."""
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
        """The controls that must still be attested, or attested again."""
        return tuple(one for one in self.review.statements if one.required and one.state != "answered")

    def people_summary(self) -> str:
        """One sentence on the controls to attest; "" where there are none."""
        total = sum(self.people.values())
        if not total:
            return ""
        controls = len({one.control for one in self.review.statements if one.required})
        wanted = f"{counted(controls, 'control')} on {counted(len(self.review.devices), 'device')}"
        states = ", ".join(
            f"{self.people[state]:,} {state}" for state in ("answered", "expired", "unanswered")
        )
        return f"Controls assessed manually, {wanted}: {states}."

    @property
    def asked(self) -> int:
        """Results but for what was left out on purpose."""
        return self.tally.asked

    @property
    def told(self) -> int:
        return self.tally.told

    @cached_property
    def untold(self) -> tuple[UndeterminedCheck, ...]:
        """What is not determined, by check and reason, the most devices first."""
        groups = [
            UndeterminedCheck(
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
    def untold_by_reason(self) -> tuple[UndeterminedReason, ...]:
        """What was not determined by reason, the most devices first."""
        groups: dict[tuple[Reason | None, Word], list[UndeterminedCheck]] = {}
        for one in self.untold:
            groups.setdefault((one.reason, one.word), []).append(one)
        found = (
            UndeterminedReason(
                reason=reason,
                word=word,
                checks=tuple((one.check, len(one.devices)) for one in held),
                devices=len({id for one in held for id in one.devices}),
            )
            for (reason, word), held in groups.items()
        )
        return tuple(sorted(found, key=lambda one: -one.devices))

    @cached_property
    def devices(self) -> tuple[Device, ...]:
        """The devices, those with the most findings of the worst severity first."""

        def order(device: Device) -> tuple[int, ...]:
            counts = self.counts[device.id]
            return (*(-counts.standing[severity] for severity in SEVERITIES), -counts.untold)

        return tuple(sorted(self.review.devices, key=order))

    @cached_property
    def not_determined(self) -> tuple[tuple[Reason | None, int], ...]:
        """Results that were not determined by reason, the most first; results in error are left out."""
        counts: Counter[Reason | None] = Counter()
        for (_, reason, word), results in self.tally.undecided.items():
            if word is not Word.ERROR:
                counts[reason] += results
        return tuple(counts.most_common())

    @cached_property
    def missed_devices(self) -> frozenset[str]:
        """The ids of listed devices that the review holds although they were not reached."""
        tags = {one.asset_tag for one in self.missed}
        return frozenset(one.id for one in self.review.devices if one.asset_tag in tags)

    @property
    def assessed(self) -> int:
        """Devices that were reached."""
        return len(self.review.devices) - len(self.missed_devices)

    @property
    def expected(self) -> int:
        """Devices of the inventory that the scan looked for."""
        return self.expected_reached + len(self.missed)

    @property
    def expected_reached(self) -> int:
        """Devices of the inventory that were reached."""
        listed = (one for one in self.review.devices if one.asset_tag is not None)
        return sum(one.id not in self.missed_devices for one in listed)

    @cached_property
    def risk(self) -> float:
        """Risk that the whole plan reduces: the sum of the scores of all open findings with a remediation."""
        return round(sum(one.risk_removed for one in self.review.what_first), 1)

    @cached_property
    def risk_left(self) -> tuple[float, ...]:
        """Risk that is left before the plan begins, and after each remediation."""
        left = accumulate((-one.risk_removed for one in self.review.what_first), initial=self.risk)
        return tuple(round(max(0.0, one), 1) for one in left)

    @cached_property
    def _order(self) -> dict[str, int]:
        return {device.id: n for n, device in enumerate(self.devices)}

    def waits_for(self, advice: Advice) -> str:
        """What comes first on some of the devices, as text; "" where nothing does."""
        needed = []
        for id in advice.waits_for:
            devices = [one.device for one in advice.on_devices if id in one.waits_for]
            name = f"no. {self.rank[id]}" if id in self.rank else id
            needed.append(f"{name} on {self.names(devices)}" if devices else name)
        return ", ".join(needed)

    def placed(self, advice: Advice) -> str:
        """Why a remediation has its rank, where that is not the risk it reduces; else ""."""
        if advice.placed_before is None:
            return ""
        rank = self.rank.get(advice.placed_before)
        before = f"no. {rank}" if rank else advice.placed_before
        return (
            f"prerequisite of {before}"
            if advice.placed == "prerequisite"
            else "moved up, closes a high finding"
        )

    def left(self, advice: Advice) -> tuple[str, ...]:
        """What each device can still be administered by, one line for each answer; empty where nothing is taken away."""
        groups: dict[tuple[str, ...], list[str]] = {}
        for one in advice.on_devices:
            if one.administration_left is not None:
                groups.setdefault(one.administration_left, []).append(one.device)
        return tuple(
            f"{self.names(devices)}: {', '.join(left) or 'only the control panel'}"
            for left, devices in groups.items()
        )

    def effort(self, advice: Advice) -> str:
        """How much work a remediation is: devices, and of how many makes and models where some share one."""
        devices = counted(len(advice.devices), "device")
        known = [self.device[id].make_model for id in advice.devices if id in self.device]
        models = {one for one in known if one}
        if len(advice.devices) == 1 or len(models) == len(advice.devices):
            return devices
        if not models:
            return f"{devices}, models not known"
        unknown = "" if all(known) else ", some not known"
        return f"{devices} of {counted(len(models), 'model')}{unknown}"

    def worst_first(self, devices: Sequence[str]) -> tuple[str, ...]:
        """Devices with the worst findings first."""
        return tuple(sorted(devices, key=lambda id: self._order.get(id, len(self._order))))

    def names(self, devices: Sequence[str], most: int = 6) -> str:
        """How people call some devices, those with the worst findings first."""
        return self._named(self.worst_first(devices)[:most], len(devices))

    def names_within(self, devices: Sequence[str], room: int) -> str:
        """As many of them as there is room for, and one in any case."""
        shown = self.worst_first(devices)[
            : max(1, (room + 2) // 3)
        ]  # a name takes three letters with what parts it
        while len(shown) > 1 and len(visible(self._named(shown, len(devices)))) > room:
            shown = shown[:-1]
        return self._named(shown, len(devices))

    def _named(self, shown: Sequence[str], of: int) -> str:
        rest = f" and {of - len(shown):,} more" if of > len(shown) else ""
        return ", ".join(map(self.label, shown)) + rest

    @property
    def narrow(self) -> bool:
        """Whether the review assessed less than the whole, so that what it does not name may be open."""
        return self.review.head.narrow

    @property
    def none_open(self) -> str:
        """What is said where the review has no open finding."""
        return "none open among what was assessed" if self.narrow else "none open"

    def summary(self) -> str:
        """One paragraph: what was scanned, by whom, from where, how long, at which cost, and with which outcome."""
        head, coverage = self.review.head, self.review.coverage
        names = " and ".join(vantage.name for vantage in self.review.vantages) or "no vantage point"
        planned = counted(coverage.planned, "planned address", "planned addresses")
        said = [
            f"{head.scope}: {coverage.answered:,} of {planned} answered; {counted(self.assessed, 'device')} assessed.",
            *self._made(names),
        ]
        if head.interrupted:
            said.append("The scan was stopped before it was complete.")
        if not coverage.answered:
            said.append("No device answered, so nothing was determined about any of them.")
        counts = ", ".join(f"{self.standing[severity]} {severity}" for severity in SEVERITIES)
        among = " among what was assessed" if self.narrow else ""
        said.append(f"{counted(sum(self.standing.values()), 'open finding')}{among}: {counts}.")
        if self.worst_score is not None:
            said.append(f"The highest score is {self.worst_score}.")
        if self.accepted:
            said.append(f"{counted(self.accepted, 'more finding')} with a risk acceptance in force.")
        said.append(f"{self.told:,} of {counted(self.asked, 'result')} were determined.")
        checks = sum(one.checks for one in self.counts.values())
        determined = sum(one.determined for one in self.counts.values())
        if checks:
            said.append(
                f"By check and device, {determined:,} of {checks:,} were determined ({share_text(determined, checks)})."
            )
        said += self.origin()
        return " ".join(said)

    def _made(self, names: str) -> list[str]:
        """How it was made, one sentence each."""
        head, captures = self.review.head, self.review.coverage.captures
        if captures:
            first, last = min(one.first for one in captures), max(one.last for one in captures)
            packets = counted(sum(one.packets for one in captures), "packet")
            return [
                f"Captured traffic read by {head.asked_by}: {packets} from {first} to {last}, seen at {names}; nothing was sent.",
            ]
        when = duration_text(head.started, head.finished)
        return [
            f"Scan by {head.asked_by} from vantage point {names} at test level {head.reach}, {when}.",
            f"Cost: {cost_text(head.cost)}.",
        ]

    def origin(self) -> list[str]:
        """What a reader must know where the review is no full scan of real devices; one sentence each."""
        head = self.review.head
        said = []
        if head.judged_from:
            said.append(f"Nothing was scanned anew: the observations are those of review {head.judged_from}.")
        if head.rechecks:
            said.append(
                f"A recheck of {counted(len(head.rechecked), 'finding')} of review {head.rechecks}; nothing else was reassessed."
            )
        if head.port_offset:
            said.append(f"Port offset {head.port_offset}: a lab, whose port 80 is {80 + head.port_offset}.")
        return said

    @property
    def baselines(self) -> str:
        """The names of the baselines that the devices were judged by."""
        return self.review.head.versions.get("baseline", "not recorded")


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
        f"{cost.seconds:,.1f} s of connection time"
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
