"""A scan to run: the plan, and what its probes need beside it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from hardenprobe.devices.credentials import Secrets
from hardenprobe.devices.inventory import Inventory
from hardenprobe.devices.matching import Met
from hardenprobe.devices.visit_notes import VisitNotes
from hardenprobe.model import Cost, InputFile
from hardenprobe.model.document import facts_kinds
from hardenprobe.model.visit import ResumableScan, ScanRecord, SilentAddresses, Visit
from hardenprobe.planning.plan import Plan
from hardenprobe.planning.recheck_plan import RecheckRecord
from hardenprobe.plugins.registry import Registry
from hardenprobe.probes.base import Probe
from hardenprobe.probes.pki.certificates import TrustAnchors

if TYPE_CHECKING:
    from hardenprobe.network.capture.capture import Capture


@dataclass(frozen=True, kw_only=True)
class ScanJob:
    """Everything that a scan needs.

    Attributes:
        wanted: The kinds of facts that a check will read; other probes are not run.
        probes: Of plug-ins.
        again: The findings of an earlier review that are asked about again; None for a scan.
        capture_to: The file for its packets, None where they are not captured.
        capture: Runs already when the scan begins, so that a process that may not capture has sent nothing; see
            request.captured.
        narrowed: As in model.Head.
        notices: What people should know before it begins, one line each.
        inputs: The files that were read for it, as they were.
        operator: Who runs it, where the command names somebody beside the account.
        elsewhere: Scans in other processes, by the arguments of engine.Scan; None where this process scans.
    """

    plan: Plan
    inventory: Inventory = field(default_factory=Inventory)
    wanted: frozenset[type[Any]]
    probes: tuple[Probe, ...] = ()
    anchors: TrustAnchors = field(default_factory=TrustAnchors)
    secrets: Secrets = field(default_factory=Secrets)
    again: RecheckRecord | None = None
    capture_to: Path | None = None
    capture: Capture | None = None
    narrowed: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()
    inputs: tuple[InputFile, ...] = ()
    operator: str | None = None
    elsewhere: Callable[..., Scanning] | None = None

    @classmethod
    def of(cls, plan: Plan, registry: Registry, **more: Any) -> ScanJob:
        """The job of a plan, with the probes and kinds of facts that a registry's checks call for.

        Args:
            more: Other fields of the job.
        """
        return cls(
            plan=plan,
            wanted=_wanted(plan, registry),
            probes=registry.probes,
            notices=tuple(map(str, registry.broken)),
            **more,
        )


@dataclass(frozen=True, kw_only=True)
class Progress:
    """How far a scan is.

    Attributes:
        done, planned: Addresses.
        answered: Addresses where a device answered.
        observations: Observations of those devices.
    """

    done: int
    planned: int
    answered: int
    observations: int


class Scanning(Protocol):
    """A scan as it runs; engine.Scan is one, and says what each attribute means."""

    seed: int
    quiet: SilentAddresses
    cost: Cost
    interrupted: bool
    why_interrupted: str | None

    @property
    def notices(self) -> list[str]: ...

    def stop(self, why: str) -> None: ...

    def visits(self) -> AsyncIterator[Visit]: ...


class Keeper(Protocol):
    """Keeps each visit as it is finished, and knows what an interrupted scan has seen already.

    Attributes:
        visits: Where they are noted.
        failed: What the store said when it failed, None while it is well. The scan stops then.
    """

    visits: VisitNotes
    begun: ScanRecord
    earlier: ResumableScan | None
    failed: str | None

    def keep_inputs(self, files: Iterable[InputFile]) -> None:
        """Keep the files that the review will rest on.

        Raises:
            StoreRefused: They cannot be kept.
        """

    def known_devices(self) -> tuple[Met, ...]:
        """The devices that earlier reviews of the scope met."""
        ...

    async def keep(
        self, visits: Iterable[Visit], quiet: Mapping[tuple[str, int], bytes], sweep: Cost
    ) -> None:
        """Keep what was finished.

        Raises:
            StoreRefused: It cannot be kept.
        """


def _wanted(plan: Plan, registry: Registry) -> frozenset[type[Any]]:
    """The kinds of facts that the selected checks read, as far as the plan may go for each."""
    chosen = [
        c
        for c in registry.checks.values()
        if c.id in plan.checks and (c.reach is None or plan.granted(c.id, c.reach))
    ]
    everywhere = frozenset(facts for check in chosen for facts in check.reads)
    # What a device is known again by is wanted whichever check reads it.
    shared = {kind for share in plan.shares.values() for kind in share.kinds}
    return everywhere | {facts for kind, facts in facts_kinds().items() if kind in shared}
