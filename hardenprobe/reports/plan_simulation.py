"""A remediation plan carried out on paper: what is open, what is at risk, and who is affected after each of its steps.

It goes by the findings of a stored review. A step closes the findings that name its remediation, and no others; whether it
does on the device, only a recheck tells.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from hardenprobe.model import Advice, Result, Severity
from hardenprobe.model.usage import ServiceUsage
from hardenprobe.remediation.fit import administration, removed_by
from hardenprobe.reports.plan_usage import PlanUsage
from hardenprobe.reports.source import Piece, Source

CLIENTS = 1000
"""Clients whose services are listed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Open:
    """What is open at one point of the plan.

    Attributes:
        findings: By severity; "not rated" for those without a score.
        risk: Sum of the local scores of the open findings that some remediation of the plan closes.
    """

    findings: dict[str, int]
    risk: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One remediation of the plan.

    Attributes:
        devices: Ids.
        closes: Findings.
        after: What is open once it is made.
        prerequisites: Ids of remediations of the plan that come first on at least one of the devices.
        not_before: Those of them that this order makes only later.
        locked_out: Devices, as people call them, that can then only be administered at the control panel.
        users: Who uses the services that it changes, one line each; empty where no evidence of use is kept.
    """

    number: int
    remedy: str
    title: str
    devices: tuple[str, ...]
    closes: int
    after: Open
    prerequisites: tuple[str, ...]
    not_before: tuple[str, ...]
    locked_out: tuple[str, ...]
    users: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AffectedService:
    """A service that a client uses, and that the plan changes.

    Attributes:
        step: The first that changes it.
        change: What that step does.
        loses: What stops working with it, by the remediation; common practice (no published requirement), so that it depends on
            the model.
    """

    device: str
    service: str
    step: int
    change: str
    loses: str
    conversations: int
    last: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulation:
    """A plan carried out to a step.

    Attributes:
        clients: Clients with the services of theirs that it changes; 1,000 at most.
        known_use: Whether any evidence of use is kept at all.
    """

    review: str
    until: int
    before: Open
    steps: tuple[Step, ...]
    clients: dict[str, tuple[AffectedService, ...]]
    known_use: bool


@dataclass(slots=True)
class _Work:
    closes: Counter[str] = field(default_factory=Counter)
    risk: float = 0.0
    locked_out: list[str] = field(default_factory=list)


def simulate(source: Source, until: int | None = None) -> Simulation:
    """Carry a review's plan out to a step, all of it by default."""
    plan = source.outline.what_first
    rank = {advice.remedy.id: advice.rank for advice in plan}
    work = {advice.rank: _Work() for advice in plan}
    begun: Counter[str] = Counter()
    risk = 0.0
    usage = PlanUsage(source.outline.head.usage_days)
    clients: dict[str, dict[tuple[str, str], AffectedService]] = {}
    last = len(plan) if until is None else min(until, len(plan))
    for piece in source.pieces():
        usage.add(piece)
        for severity, score, number, _ in _open(piece, rank):
            begun[severity] += 1
            if number:
                work[number].closes[severity] += 1
                work[number].risk += score
                risk += score
        _administer(piece, plan, work)
        _affect(piece, plan, last, clients)
    steps = []
    left, left_risk = Counter(begun), risk
    for advice in plan[:last]:
        mine = work[advice.rank]
        left -= mine.closes
        left_risk -= mine.risk
        steps.append(
            Step(
                number=advice.rank,
                remedy=advice.remedy.id,
                title=advice.remedy.title,
                devices=advice.devices,
                closes=mine.closes.total(),
                after=Open(findings=_counts(left), risk=round(max(0.0, left_risk), 1)),
                prerequisites=advice.waits_for,
                not_before=tuple(id for id in advice.waits_for if rank.get(id, 0) > advice.rank),
                locked_out=tuple(mine.locked_out),
                users=usage.lines(advice.remedy.id),
            )
        )
    return Simulation(
        review=source.outline.head.id,
        until=last,
        before=Open(findings=_counts(begun), risk=round(risk, 1)),
        steps=tuple(steps),
        clients={
            client: tuple(sorted(found.values(), key=lambda one: (one.step, one.device, one.service)))
            for client, found in sorted(clients.items())
        },
        known_use=bool(source.usage),
    )


def _counts(open_: Counter[str]) -> dict[str, int]:
    words = [*(severity.value for severity in reversed(Severity)), "not rated"]
    return {word: open_[word] for word in words if word != "not rated" or open_[word]}


def _open(piece: Piece, rank: dict[str, int]) -> Iterator[tuple[str, float, int | None, Result]]:
    """The open findings of a device, each once: severity, score, and which step closes it; the worst sight of it counts."""
    found: dict[str, Result] = {}
    for result in piece.results:
        if result.stands:
            known = found.get(result.finding)
            if known is None or (result.local_score, result.score or 0) > (
                known.local_score,
                known.score or 0,
            ):
                found[result.finding] = result
    for result in found.values():
        yield str(result.severity or "not rated"), result.local_score, rank.get(result.remedy or ""), result


def _administer(piece: Piece, plan: tuple[Advice, ...], work: dict[int, _Work]) -> None:
    """Take the means of administration away in the order of the plan, and note where the last one goes."""
    means = {one for one, _ in administration(piece.device)}
    for advice in plan:
        taken = removed_by(advice.remedy.id)
        if taken in means and piece.device.id in advice.devices:
            means.discard(taken or "")
            if not means:
                work[advice.rank].locked_out.append(piece.device.label)


def _affect(
    piece: Piece,
    plan: tuple[Advice, ...],
    last: int,
    clients: dict[str, dict[tuple[str, str], AffectedService]],
) -> None:
    rank = {advice.remedy.id: advice.rank for advice in plan}
    remedies = {advice.rank: advice.remedy for advice in plan}
    services: dict[tuple[str, int], tuple[int, ServiceUsage]] = {}
    for _, _, number, result in _open(piece, rank):
        usage = piece.usage.get(result.finding)
        if usage is None or number is None or number > last:
            continue
        key = (usage.transport, usage.port)
        services[key] = min(services.get(key, (number, usage)), (number, usage), key=lambda one: one[0])
    for number, usage in services.values():
        for user in usage.users:
            if user.client not in clients and len(clients) >= CLIENTS:
                continue
            service = f"{usage.port}/{usage.transport}"
            clients.setdefault(user.client, {})[piece.device.label, service] = AffectedService(
                device=piece.device.label,
                service=service,
                step=number,
                change=remedies[number].title,
                loses=remedies[number].stops_working,
                conversations=user.conversations,
                last=user.last,
            )
