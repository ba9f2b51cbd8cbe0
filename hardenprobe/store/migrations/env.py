"""Runs the steps on the connection that store/upgrade.py gives; alembic loads this file by its path."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"])
with context.begin_transaction():
    context.run_migrations()
