"""All that people decided and declared, as a judgement needs it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from hardenprobe.decisions import device_register, exceptions, statements
from hardenprobe.decisions.device_register import LifecycleEvent
from hardenprobe.decisions.entry import Entry
from hardenprobe.decisions.exceptions import RiskException
from hardenprobe.decisions.statements import Statement
from hardenprobe.facts import ServiceUsed


@dataclass(frozen=True, kw_only=True)
class Decisions:
    """What the ledger of a store held at one moment.

    Attributes:
        exceptions, statements: Those that expired or were ended among them.
        turns: What was accepted into the fleet and retired from it, the oldest first.
        day: The day (UTC, ISO 8601) by which they run; the day on which the review began where it is empty.
        mark: Digest of the newest entry, None where there is none.
        notices: Why nothing of it may be applied.
        used: Services, by the device's address, that statements are held against; None leaves what the review has of them.
    """

    exceptions: tuple[RiskException, ...] = ()
    statements: tuple[Statement, ...] = ()
    turns: tuple[LifecycleEvent, ...] = ()
    day: str = ""
    mark: str | None = None
    notices: tuple[str, ...] = ()
    used: Mapping[str, tuple[ServiceUsed, ...]] | None = None

    @classmethod
    def of(cls, entries: Sequence[Entry], day: str) -> Decisions:
        """What the entries of a ledger decide on a day.

        Raises:
            StoreRefused: One is of another version.
        """
        return cls(
            exceptions=exceptions.read(entries),
            statements=statements.read(entries),
            turns=device_register.read(entries),
            day=day,
            mark=entries[-1].digest if entries else None,
        )
