"""Bring a store of an earlier format up to date, all of it or nothing."""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa

from hardenprobe.errors import StoreRefused
from hardenprobe.store.opening import connected, format_of
from hardenprobe.store.schema import FORMAT, OLDER
from hardenprobe.store.store import asking


def upgrade(url: str | None) -> str:
    """Upgrade a store.

    Returns:
        The format that it had.

    Raises:
        StoreRefused: There is no such store, it has a format that cannot be upgraded, or it cannot be written.
    """
    with connected(url, make=False) as (engine, shown, _):
        before = format_of(engine, shown)
        if before is None:
            raise StoreRefused(f"store {shown} is empty; a scan makes it")
        if before == FORMAT:
            return before
        with asking(shown), engine.begin() as db:
            if db.dialect.name == "sqlite":  # whose driver would begin no transaction for tables
                db.exec_driver_sql("BEGIN IMMEDIATE")
            run_steps(db, before)
        if engine.dialect.name == "sqlite":  # which gives no room back by itself
            with asking(shown), engine.connect() as db:
                db.exec_driver_sql("VACUUM")
        return before


def run_steps(db: sa.Connection, before: str | None, to: str = "head") -> None:
    """Take a database from one format, or from none, to today's or that of a number."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).with_name("migrations")))
    config.attributes["connection"] = db
    # A store of that format lacks the tables that it never needed, so the step to it runs, too, and makes them.
    command.stamp(config, "base" if before in (None, OLDER[0]) else str(before).rpartition("/")[2])
    command.upgrade(config, to)
