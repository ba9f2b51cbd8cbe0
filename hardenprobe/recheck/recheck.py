"""Asking again about findings of a stored review: what was wanted, the order that is made of it, what became of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from hardenprobe.devices import inventory as inventories
from hardenprobe.errors import UsageError
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.model import Reach, Review
from hardenprobe.planning import vantage
from hardenprobe.planning.recheck_plan import RecheckRecord
from hardenprobe.plugins import registry
from hardenprobe.recheck import outcome, selection, targets
from hardenprobe.recheck.outcome import FindingComparison, RecheckedFinding
from hardenprobe.recheck.selection import FindingSelection
from hardenprobe.scanning.job import ScanJob
from hardenprobe.scanning.request import ScanRequest
from hardenprobe.store.store import Store

FORMAT = "hardenprobe.recheck/1"


@dataclass(frozen=True, kw_only=True)
class RecheckRequest:
    """What to recheck. What is None is as the review had it.

    Attributes:
        review: As for `Store.find`.
        findings: Keys, or unique beginnings of keys; without any, all open ones.
        inventory, scope, secrets_file, trust_anchors, checks_from: Absolute paths.
    """

    review: str
    findings: tuple[str, ...] = ()
    inventory: str | None = None
    scope: str | None = None
    sources: tuple[str, ...] = ()
    vantages: tuple[str, ...] = ()
    reach: str | None = None
    trust_anchors: tuple[str, ...] = ()
    secrets_file: str | None = None
    port_offset: int | None = None
    plugins: bool = True
    checks_from: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class RecheckOutcome:
    """What became of the findings.

    Attributes:
        notices: What else should be known when they are read; device text in part.
    """

    findings: tuple[FindingComparison, ...]
    costs: tuple[RecheckedFinding, ...]
    notices: tuple[str, ...]

    def document(self, picked: FindingSelection, now: Review) -> dict[str, Any]:
        """The same in plain JSON types."""
        return {
            "format": FORMAT,
            "review": picked.review.head.id,
            "recheck": now.head.id,
            "findings": [asdict(one) for one in self.findings],
            "costs": [asdict(one) for one in self.costs],
            "notices": [*self.notices, *now.notices],
        }


@dataclass(frozen=True, kw_only=True)
class Recheck:
    """Findings that are about to be asked about again."""

    picked: FindingSelection
    again: RecheckRecord
    request: ScanRequest
    job: ScanJob
    rules: JudgingRules

    def compare(self, now: Review) -> RecheckOutcome:
        """Hold what was asked again against what stood before."""
        checks = self.rules.registry.checks
        return RecheckOutcome(
            findings=outcome.compared(
                self.picked, self.again, now, lambda check: bool(checks[check].compares)
            ),
            costs=outcome.costs(self.picked, now),
            notices=tuple(self._notices()),
        )

    def _notices(self) -> Iterator[str]:
        for subject in self.picked.subjects:
            device = subject.device
            were = [one.address for one in device.addresses]
            are = [one.address for one in self.again.places if one.device == device.id]
            if set(were) != set(are):
                yield f"{device.label} was at {', '.join(were)} and is listed at {', '.join(are)}, where it was asked"
            chosen = self.rules.baseline.of(device)
            if device.baseline and device.baseline.hash != chosen.hash:
                yield (
                    f"baseline {chosen.name}, which judges {device.label}, has changed since review "
                    f"{self.again.review}; that alone may change a verdict"
                )
        by_inventory = {
            one.check for one in self.picked.findings if self.rules.registry.checks[one.check].reach is None
        }
        if by_inventory and not self.request.inventory:
            yield (
                f"judged by what review {self.again.review} kept of its inventory: {', '.join(sorted(by_inventory))}; "
                "name the inventory of today with --inventory"
            )


def prepare(kept: Store, wanted: RecheckRequest) -> Recheck:
    """Find the findings, and put the order together that asks about them again; nothing is sent.

    Raises:
        UsageError: There is no such review or finding, something that was asked for is impossible, or a file is wrong.
    """
    checks = registry.load(wanted.plugins, map(Path, wanted.checks_from))
    picked = selection.pick(kept, wanted.review, wanted.findings)
    picked = selection.with_others(kept, picked, checks)
    head = picked.review.head
    known = inventories.load(Path(wanted.inventory)) if wanted.inventory else None
    if head.reach is Reach.LISTEN and not wanted.reach:
        raise UsageError(
            f"{head.id} is a review of captured traffic; a recheck asks the devices, so name --reach look or --reach ask"
        )
    reach = wanted.reach or str(head.reach)
    again = targets.again(picked, checks, Reach(reach), known)
    sources, names = _vantages(picked, wanted)
    request = ScanRequest(
        targets=tuple((one.address, one.address, one.address, None) for one in again.places),
        inventory=wanted.inventory,
        scope=wanted.scope,
        sources=sources,
        vantages=names,
        reach=reach,
        only=tuple(dict.fromkeys(one.check for one in again.findings)),
        trust_anchors=wanted.trust_anchors,
        secrets_file=wanted.secrets_file,
        port_offset=head.port_offset if wanted.port_offset is None else wanted.port_offset,
        plugins=wanted.plugins,
        checks_from=wanted.checks_from,
        again=again.document(),
    )
    job, rules = request.prepare()
    return Recheck(picked=picked, again=again, request=request, job=job, rules=rules)


def _vantages(picked: FindingSelection, wanted: RecheckRequest) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The sources and names of the vantage points that had the findings, where none are named.

    Raises:
        UsageError: One of them is not on this machine.
    """
    if wanted.sources or wanted.vantages:
        return wanted.sources, wanted.vantages
    names = {one.vantage for one in picked.findings}
    used = [one for one in picked.review.vantages if one.name in names]
    for one in used:
        if one.source and not vantage.is_ours(one.source):
            raise UsageError(
                f"review {picked.review.head.id} asked from {one.name}, {one.source}, which is no address of this machine; "
                "go there, or name one of this machine's with --source"
            )
    sources = tuple(one.source for one in used if one.source)
    return (sources, tuple(one.name for one in used)) if len(sources) == len(used) else ((), ())
