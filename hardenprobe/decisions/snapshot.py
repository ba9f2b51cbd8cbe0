"""All that people decided and declared, as a judgement needs it."""

from __future__ import annotations

from dataclasses import dataclass

from hardenprobe.decisions import device_register, exceptions, statements
from hardenprobe.decisions.device_register import LifecycleEvent
from hardenprobe.decisions.exceptions import RiskException
from hardenprobe.decisions.ledger import Ledger
from hardenprobe.decisions.statements import Statement
from hardenprobe.model.transcript import utc_now
from hardenprobe.store.store import Store


@dataclass(frozen=True, kw_only=True)
class Decisions:
    """What the ledger of a store held at one moment.

    Attributes:
        exceptions, statements: Those that expired or were ended among them.
        turns: What was accepted into the fleet and retired from it, the oldest first.
        day: The day (UTC, ISO 8601) by which they run; the day on which the review began where it is empty.
        mark: Digest of the newest entry, None where there is none.
        notices: Why nothing of it may be applied.
    """

    exceptions: tuple[RiskException, ...] = ()
    statements: tuple[Statement, ...] = ()
    turns: tuple[LifecycleEvent, ...] = ()
    day: str = ""
    mark: str | None = None
    notices: tuple[str, ...] = ()


def load(kept: Store) -> Decisions:
    """Read the ledger of a store as it holds today; one that was changed from outside decides nothing, and a notice says so.

    Raises:
        StoreRefused: It holds an entry of another version.
    """
    ledger = Ledger(kept)
    today = utc_now()[:10]
    if found := ledger.fault():
        return Decisions(day=today, notices=(f"{found}; none of its exceptions and statements is applied",))
    entries = ledger.entries()
    return Decisions(
        exceptions=exceptions.read(entries),
        statements=statements.read(entries),
        turns=device_register.read(entries),
        day=today,
        mark=entries[-1].digest if entries else None,
    )
