"""The record of every review that was ever stored, kept apart from the reviews, so that one that is gone is missed.

A review that is kept has an entry, one that is taken out on purpose has another, and no entry is ever changed. Each
entry's digest covers the entry before it. Who takes a review out behind our back leaves its entry; who takes the entry
out as well breaks the digest of the next. What nothing inside a database can show is that it was cut back to an
earlier state, entries and all: that takes the newest entry's digest, written down elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import sqlalchemy as sa

from hardenprobe.errors import UsageError, clip
from hardenprobe.model.transcript import utc_now
from hardenprobe.store import chain
from hardenprobe.store.schema import record as _record

LEAST_NOTED = 12  # characters of a digest that are enough to exclude chance


@dataclass(frozen=True, kw_only=True)
class LogEntry:
    """An entry of the record.

    Attributes:
        number: From 1, without a gap.
        act: The review was kept, or taken out.
        at: UTC, when.
        review_digest: Of the review as it was stored; it stays where the review does not.
        by, reason: Who took it out, and why; "" for one that was kept.
    """

    number: int
    act: Literal["kept", "taken out"]
    at: str
    review: str
    scope: str
    review_digest: str
    by: str
    reason: str
    digest: str
    previous_digest: str | None


@dataclass(frozen=True, kw_only=True)
class Stored:
    """A line of the list of reviews.

    Attributes:
        intact: The digest still fits, and so does its link to the review before it; for one that is not there any
            more, that it was taken out on purpose.
        rechecks: Id of the review whose findings it asked about again, None for a scan.
        gone: Why it is not there any more; None for one that is. A review that is gone has no devices and findings.
        fault: What does not fit, None where all does.
    """

    id: str
    scope: str
    started: str
    devices: int
    findings: int
    intact: bool
    rechecks: str | None = None
    gone: str | None = None
    fault: str | None = None


@dataclass(frozen=True, kw_only=True)
class Row:
    """A review that is there, and whether it is as its own digest says.

    Attributes:
        digest, previous_digest: As they are in its row.
        sound: What it holds has that digest, and names that review before it.
    """

    id: str
    scope: str
    started: str
    devices: int
    findings: int
    digest: str
    previous_digest: str | None
    sound: bool
    rechecks: str | None = None


def add(
    db: sa.Connection, act: str, review: str, scope: str, review_digest: str, by: str = "", reason: str = ""
) -> None:
    """Add an entry, in the transaction of what it tells of."""
    last = db.execute(sa.select(_record).order_by(_record.c.number.desc()).limit(1)).first()
    made = chain.following(
        LogEntry(**last._mapping) if last else None,
        act=act,
        at=utc_now(),
        review=review,
        scope=scope,
        review_digest=review_digest,
        by=by,
        reason=reason,
    )
    db.execute(_record.insert().values(made))


def last_kept(db: sa.Connection, scope: str) -> LogEntry | None:
    """The entry of the newest review of a scope, be the review still there or not."""
    row = db.execute(
        sa.select(_record)
        .where(_record.c.scope == scope, _record.c.act == "kept")
        .order_by(_record.c.number.desc())
        .limit(1)
    ).first()
    return LogEntry(**row._mapping) if row else None


def read(db: sa.Connection) -> tuple[LogEntry, ...]:
    """Every entry, the oldest first."""
    return tuple(
        LogEntry(**row) for row in db.execute(sa.select(_record).order_by(_record.c.number)).mappings()
    )


def fault(links: Sequence[LogEntry], noted: str | None = None) -> str | None:
    """One line on where the record was changed from outside, None where it was not.

    Args:
        noted: Digest of an entry, or the beginning of one, that somebody wrote down elsewhere.

    Raises:
        UsageError: What was written down is no digest.
    """
    if at := chain.first_broken(links):
        return f"the record of reviews was changed from outside at entry {at}"
    if noted is not None:
        if len(noted) < LEAST_NOTED or set(noted.lower()) - set("0123456789abcdef"):
            raise UsageError(
                f"--noted {clip(noted)} is no digest of an entry; write at least {LEAST_NOTED} of its hex digits"
            )
        if not any(link.digest.startswith(noted.lower()) for link in links):
            return (
                f"no entry of the record of reviews has the digest {noted}: reviews were cut off since, or this store was "
                "replaced by an older copy or another one"
            )
    return None


def compared(links: Sequence[LogEntry], rows: Sequence[Row]) -> list[Stored]:
    """Hold the reviews that are there against the record; the oldest first.

    A review that the record does not know comes last: it was put there from outside, or by a version that kept none.
    """
    there = {row.id: row for row in rows}
    out = {link.review: link for link in links if link.act == "taken out"}
    before: dict[str, str] = {}
    found: list[Stored] = []
    known = set()
    for link in links:
        if link.act != "kept":
            continue
        known.add(link.review)
        row = there.get(link.review)
        if row is None:
            found.append(_gone(link, out.get(link.review)))
        else:
            found.append(_held(row, link, before.get(link.scope)))
        before[link.scope] = link.review_digest
    for row in rows:
        if row.id not in known:
            found.append(_as(row, "the record of reviews does not know it"))
    return found


def _gone(link: LogEntry, taken: LogEntry | None) -> Stored:
    why = "missing, and not removed by `hardenprobe store prune`"
    if taken is not None:
        why = f"taken out on {taken.at[:10]} by {taken.by}: {taken.reason}"
    return Stored(
        id=link.review,
        scope=link.scope,
        started=link.at,
        devices=0,
        findings=0,
        intact=taken is not None,
        gone=why,
        fault=None if taken else "gone",
    )


def _held(row: Row, link: LogEntry, before: str | None) -> Stored:
    if not row.sound or row.digest != link.review_digest or row.scope != link.scope:
        return _as(row, "changed")
    if row.previous_digest != before:
        return _as(row, "the review before it is another one")
    return _as(row, None)


def _as(row: Row, fault: str | None) -> Stored:
    return Stored(
        id=row.id,
        scope=row.scope,
        started=row.started,
        devices=row.devices,
        findings=row.findings,
        intact=fault is None,
        rechecks=row.rechecks,
        fault=fault,
    )


def faults(found: Sequence[Stored]) -> Iterator[str]:
    """A line on each review that is not as it should be."""
    return (f"review {one.id}: {one.gone or one.fault}" for one in found if not one.intact)
