"""The tables of hardenprobe.store/3, of which a store of that format made some when it first needed them."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "3"
down_revision = None


def upgrade() -> None:
    """Make those that are missing."""
    text, word = sa.Text, sa.String

    def table(name: str, *columns: sa.Column[Any]) -> None:
        op.create_table(name, *columns, if_not_exists=True)

    table("hardenprobe_store", sa.Column("format", word(40), primary_key=True))
    table(
        "reviews",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("id", word(40), unique=True, nullable=False),
        sa.Column("scope", word(200), nullable=False),
        sa.Column("started", word(40), nullable=False),
        sa.Column("digest", word(64), nullable=False),
        sa.Column("previous_digest", word(64), nullable=True),
        sa.Column("devices", sa.Integer, nullable=False),
        sa.Column("document", text, nullable=False),
    )
    op.create_index("ix_reviews_scope", "reviews", ["scope"], if_not_exists=True)
    table(
        "parts",
        sa.Column("review", word(40), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("device", word(80), nullable=False),
        sa.Column("record", text, nullable=False),
        sa.Column("observations", text, nullable=False),
        sa.Column("results", text, nullable=False),
    )
    table(
        "record",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("act", word(10), nullable=False),
        sa.Column("at", word(40), nullable=False),
        sa.Column("review", word(40), nullable=False),
        sa.Column("scope", word(200), nullable=False),
        sa.Column("review_digest", word(64), nullable=False),
        sa.Column("by", word(200), nullable=False),
        sa.Column("reason", text, nullable=False),
        sa.Column("digest", word(64), nullable=False),
        sa.Column("previous_digest", word(64), nullable=True),
    )
    table(
        "requests",
        sa.Column("review", word(40), primary_key=True),
        sa.Column("document", text, nullable=False),
    )
    for name in ("input_files", "ledger_files"):
        table(
            name,
            sa.Column("sha256", word(64), primary_key=True),
            sa.Column("data", sa.LargeBinary, nullable=False),
        )
    table(
        "ledger",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("at", word(40), nullable=False),
        sa.Column("kind", word(40), nullable=False),
        sa.Column("subject", word(40), nullable=False),
        sa.Column("operator", word(200), nullable=False),
        sa.Column("body", text, nullable=False),
        sa.Column("digest", word(64), nullable=False),
        sa.Column("previous_digest", word(64), nullable=True),
    )
    table(
        "scans",
        sa.Column("id", word(40), primary_key=True),
        sa.Column("started", word(40), nullable=False),
        sa.Column("runner", word(200), nullable=False),
        sa.Column("begun", text, nullable=False),
        sa.Column("sweep", text, nullable=False),
    )
    table(
        "visits",
        sa.Column("scan", word(40), primary_key=True),
        sa.Column("address", word(80), primary_key=True),
        sa.Column("vantage", word(200), primary_key=True),
        sa.Column("document", text, nullable=False),
    )
    table(
        "quiet",
        sa.Column("scan", word(40), primary_key=True),
        sa.Column("vantage", word(200), primary_key=True),
        sa.Column("block", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("outcomes", sa.LargeBinary, nullable=False),
    )
    table(
        "self_tests",
        sa.Column("subject", word(64), primary_key=True),
        sa.Column("document", text, nullable=False),
    )
