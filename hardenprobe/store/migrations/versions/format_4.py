"""hardenprobe.store/4: observations, results and visits in progress are packed; who uses which service may be kept.

Digests are over what the texts say, and stay.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

from hardenprobe.model.packing import pack

revision = "4"
down_revision = "3"

_PAGE = 50  # rows in memory at once


def upgrade() -> None:
    """Write each row anew in a table of packed ones, which takes the place of the old one."""
    word = sa.String
    _packed(
        "parts",
        (
            sa.Column("review", word(40), primary_key=True),
            sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
            sa.Column("device", word(80), nullable=False),
            sa.Column("record", sa.Text, nullable=False),
        ),
        ("observations", "results"),
    )
    _packed(
        "visits",
        (
            sa.Column("scan", word(40), primary_key=True),
            sa.Column("address", word(80), primary_key=True),
            sa.Column("vantage", word(200), primary_key=True),
        ),
        ("document",),
    )
    op.create_table(
        "usage_sources",
        sa.Column("id", word(40), primary_key=True),
        sa.Column("sha256", word(64), nullable=False),
        sa.Column("last", word(40), nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        if_not_exists=True,
    )
    op.create_table(
        "usage",
        sa.Column("source", word(40), primary_key=True),
        sa.Column("client", word(80), primary_key=True),
        sa.Column("address", word(60), primary_key=True),
        sa.Column("transport", word(3), primary_key=True),
        sa.Column("port", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("first", word(40), nullable=False),
        sa.Column("last", word(40), nullable=False),
        *(
            sa.Column(name, sa.BigInteger, nullable=False)
            for name in ("conversations", "bytes_sent", "bytes_received")
        ),
        if_not_exists=True,
    )
    op.create_index("ix_usage_address", "usage", ["address"], if_not_exists=True)
    op.execute("update hardenprobe_store set format = 'hardenprobe.store/4'")


def _packed(name: str, kept: tuple[sa.Column[Any], ...], packed: tuple[str, ...]) -> None:
    db = op.get_bind()
    old = sa.table(name, *(sa.column(one.name) for one in kept), *map(sa.column, packed))
    columns: tuple[sa.Column[Any], ...] = (
        *kept,
        *(sa.Column(one, sa.LargeBinary, nullable=False) for one in packed),
    )
    new = op.create_table(f"{name}_packed", *columns)
    keys = [old.c[one.name] for one in kept if one.primary_key]
    query = sa.select(old).order_by(*keys).limit(_PAGE)
    rows = db.execute(query).mappings().all()
    while rows:
        db.execute(new.insert(), [{**row, **{one: pack(row[one]) for one in packed}} for row in rows])
        last = sa.tuple_(*(sa.literal(rows[-1][key.name]) for key in keys))
        rows = db.execute(query.where(sa.tuple_(*keys) > last)).mappings().all()
    op.drop_table(name)
    op.rename_table(f"{name}_packed", name)
