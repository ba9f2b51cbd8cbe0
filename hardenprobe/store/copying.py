"""Copy a store to another database, so that reviews keep their place in the chain and decisions theirs in the ledger."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from hardenprobe.errors import StoreRefused
from hardenprobe.store import review_log
from hardenprobe.store.journal import Journal
from hardenprobe.store.schema import (
    input_files,
    ledger,
    ledger_files,
    parts,
    record,
    requests,
    reviews,
    self_tests,
    usage,
    usage_sources,
)
from hardenprobe.store.store import Store

_COPIED = (
    record,
    reviews,
    parts,
    requests,
    input_files,
    ledger,
    ledger_files,
    self_tests,
    usage_sources,
    usage,
)
_PAGE = 100  # rows in memory at once


@dataclass(frozen=True, kw_only=True)
class Copied:
    """What became of a copy.

    Attributes:
        unfinished: Ids of scans in progress, which stay where they are.
        faults: What is not as it was once stored, one line each; it was so before, or the copy is not to be trusted.
    """

    reviews: int
    unfinished: tuple[str, ...]
    faults: tuple[str, ...]


def copy(source: Store, to: Store) -> Copied:
    """Copy everything but scans in progress, all of it or nothing.

    Raises:
        StoreRefused: The target holds something already, or cannot be written; or the source cannot be read.
    """
    with to.writing() as there, _snapshot(source) as here:
        for table in _COPIED:
            if there.execute(sa.select(sa.func.count()).select_from(table)).scalar_one():
                raise StoreRefused(f"store {to.shown} is not empty; copy into a new one")
        known = sa.inspect(here).get_table_names()
        for table in _COPIED:
            if table.name in known:
                for page in _pages(here, table):
                    there.execute(table.insert(), page)
        if there.dialect.name == "postgresql":  # whose counter does not see numbers that are given
            newest = sa.select(sa.func.max(reviews.c.number)).scalar_subquery()
            there.execute(
                sa.select(sa.func.setval(sa.func.pg_get_serial_sequence("reviews", "number"), newest))
            )
    copied = to.reviews()
    fault = review_log.fault(to.links())
    return Copied(
        reviews=sum(one.gone is None for one in copied),
        unfinished=tuple(one.id for one in Journal(source).unfinished()),
        faults=(*([fault] if fault else []), *review_log.faults(copied)),
    )


def _snapshot(source: Store) -> sa.Connection:
    """A connection that sees the store as it is now, whoever writes meanwhile."""
    db = source.engine.connect()
    if db.dialect.name == "sqlite":
        db.exec_driver_sql("BEGIN")  # the driver would begin none to read
        return db
    return db.execution_options(isolation_level="REPEATABLE READ")


def _pages(db: sa.Connection, table: sa.Table) -> Iterator[list[dict[str, Any]]]:
    keys = list(table.primary_key)
    query = sa.select(table).order_by(*keys).limit(_PAGE)
    rows = db.execute(query).mappings().all()
    while rows:
        yield [dict(row) for row in rows]
        last = sa.tuple_(*(sa.literal(rows[-1][key.name]) for key in keys))
        rows = db.execute(query.where(sa.tuple_(*keys) > last)).mappings().all()
