"""The tables of a store, on whichever database. What changes them is a step in migrations/versions/."""

from __future__ import annotations

import sqlalchemy as sa

from hardenprobe.model.packing import pack, unpack

FORMAT = "hardenprobe.store/4"
OLDER = ("hardenprobe.store/3",)
"""Formats that are read as they are, and written once `hardenprobe store upgrade` has brought them up to date."""

tables = sa.MetaData()


class Packed(sa.types.TypeDecorator[str]):
    """A long text in few bytes; a store of the format before holds some that were never packed."""

    impl = sa.LargeBinary
    cache_ok = True

    def process_bind_param(self, value: str | bytes | None, dialect: sa.Dialect) -> bytes | None:
        return pack(value) if isinstance(value, str) else value

    def process_result_value(self, value: bytes | str | None, dialect: sa.Dialect) -> str | None:
        return None if value is None else unpack(value)


about = sa.Table("hardenprobe_store", tables, sa.Column("format", sa.String(40), primary_key=True))
reviews = sa.Table(
    "reviews",
    tables,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("id", sa.String(40), unique=True, nullable=False),
    sa.Column("scope", sa.String(200), nullable=False, index=True),
    sa.Column("started", sa.String(40), nullable=False),
    sa.Column("digest", sa.String(64), nullable=False),
    sa.Column("previous_digest", sa.String(64), nullable=True),
    sa.Column("devices", sa.Integer, nullable=False),
    sa.Column("document", sa.Text, nullable=False),
)
parts = sa.Table(
    "parts",
    tables,
    sa.Column("review", sa.String(40), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("device", sa.String(80), nullable=False),
    sa.Column("record", sa.Text, nullable=False),
    sa.Column("observations", Packed, nullable=False),
    sa.Column("results", Packed, nullable=False),
)
record = sa.Table(
    "record",
    tables,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("act", sa.String(10), nullable=False),
    sa.Column("at", sa.String(40), nullable=False),
    sa.Column("review", sa.String(40), nullable=False),
    sa.Column("scope", sa.String(200), nullable=False),
    sa.Column("review_digest", sa.String(64), nullable=False),
    sa.Column("by", sa.String(200), nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("digest", sa.String(64), nullable=False),
    sa.Column("previous_digest", sa.String(64), nullable=True),
)
requests = sa.Table(
    "requests",
    tables,
    sa.Column("review", sa.String(40), primary_key=True),
    sa.Column("document", sa.Text, nullable=False),
)
input_files = sa.Table(
    "input_files",
    tables,
    sa.Column("sha256", sa.String(64), primary_key=True),
    sa.Column("data", sa.LargeBinary, nullable=False),
)
ledger = sa.Table(
    "ledger",
    tables,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("at", sa.String(40), nullable=False),
    sa.Column("kind", sa.String(40), nullable=False),
    sa.Column("subject", sa.String(40), nullable=False),
    sa.Column("operator", sa.String(200), nullable=False),
    sa.Column("body", sa.Text, nullable=False),
    sa.Column("digest", sa.String(64), nullable=False),
    sa.Column("previous_digest", sa.String(64), nullable=True),
)
ledger_files = sa.Table(
    "ledger_files",
    tables,
    sa.Column("sha256", sa.String(64), primary_key=True),
    sa.Column("data", sa.LargeBinary, nullable=False),
)
scans = sa.Table(
    "scans",
    tables,
    sa.Column("id", sa.String(40), primary_key=True),
    sa.Column("started", sa.String(40), nullable=False),
    sa.Column("runner", sa.String(200), nullable=False),
    sa.Column("begun", sa.Text, nullable=False),
    sa.Column("sweep", sa.Text, nullable=False),
)
visits = sa.Table(
    "visits",
    tables,
    sa.Column("scan", sa.String(40), primary_key=True),
    sa.Column("address", sa.String(80), primary_key=True),
    sa.Column("vantage", sa.String(200), primary_key=True),
    sa.Column("document", Packed, nullable=False),
)
quiet = sa.Table(
    "quiet",
    tables,
    sa.Column("scan", sa.String(40), primary_key=True),
    sa.Column("vantage", sa.String(200), primary_key=True),
    sa.Column("block", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("outcomes", sa.LargeBinary, nullable=False),
)
self_tests = sa.Table(
    "self_tests",
    tables,
    sa.Column("subject", sa.String(64), primary_key=True),
    sa.Column("document", sa.Text, nullable=False),
)
usage_sources = sa.Table(
    "usage_sources",
    tables,
    sa.Column("id", sa.String(40), primary_key=True),
    sa.Column("sha256", sa.String(64), nullable=False),
    sa.Column("last", sa.String(40), nullable=False),
    sa.Column("document", sa.Text, nullable=False),
)
usage = sa.Table(
    "usage",
    tables,
    sa.Column("source", sa.String(40), primary_key=True),
    sa.Column("client", sa.String(80), primary_key=True),
    sa.Column("address", sa.String(60), primary_key=True, index=True),
    sa.Column("transport", sa.String(3), primary_key=True),
    sa.Column("port", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("first", sa.String(40), nullable=False),
    sa.Column("last", sa.String(40), nullable=False),
    sa.Column("conversations", sa.BigInteger, nullable=False),
    sa.Column("bytes_sent", sa.BigInteger, nullable=False),
    sa.Column("bytes_received", sa.BigInteger, nullable=False),
)


def make(db: sa.Connection) -> None:
    """Make the tables that are missing, even if another process makes them at the same moment."""
    if db.dialect.name == "postgresql":  # there IF NOT EXISTS can fail where two make one table at once
        db.execute(sa.select(sa.func.pg_advisory_xact_lock(_MAKING)))
    for table in tables.sorted_tables:
        db.execute(sa.schema.CreateTable(table, if_not_exists=True))
        for index in table.indexes:
            db.execute(sa.schema.CreateIndex(index, if_not_exists=True))


_MAKING = 0x68617264  # any number that nobody else locks in this database
