"""All that people decided and declared, as a judgement needs it."""

from __future__ import annotations

from dataclasses import dataclass

from hardenprobe import exceptions, life, statements
from hardenprobe.exceptions import RiskException
from hardenprobe.ledger import Ledger
from hardenprobe.life import Turn
from hardenprobe.model.transcript import utc_now
from hardenprobe.statements import Statement
from hardenprobe.store import Store


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
    turns: tuple[Turn, ...] = ()
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
        turns=life.read(entries),
        day=today,
        mark=entries[-1].digest if entries else None,
    )
