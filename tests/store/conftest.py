"""Databases for the tests of the store: an SQLite file, and a PostgreSQL server where Debian's package is installed."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import pytest
import sqlalchemy as sa
from support import postgres

NUMBERS = count(1)


@pytest.fixture(scope="session")
def server() -> Iterator[postgres.Server]:
    """A server for all tests of this process."""
    if not postgres.FOLDERS:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(
            "needs PostgreSQL's server (Debian: postgresql)"
        )
    with postgres.running() as made:
        yield made


@pytest.fixture
def database(server: postgres.Server) -> str:
    """The name of a database that is empty."""
    name = f"store{next(NUMBERS)}"
    server.sql(f"create database {name}")
    return name


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.slow)])
def new_url(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[], str]:
    """Makes databases that are empty, of one kind."""
    if request.param == "sqlite":
        return lambda: f"sqlite:///{tmp_path / f'store{next(NUMBERS)}.db'}"
    server: postgres.Server = request.getfixturevalue("server")
    return server.make


@pytest.fixture
def url(new_url: Callable[[], str]) -> str:
    """A database that is empty."""
    return new_url()


@pytest.fixture
def edit() -> Callable[..., int]:
    """Changes a database from outside, by a statement and its values; the number of rows that it changed."""

    def run(url: str, statement: str, **values: object) -> int:
        engine = sa.create_engine(url)
        with engine.begin() as db:
            changed = db.execute(sa.text(statement), values).rowcount
        engine.dispose()
        assert changed, "the edit changed something"
        return changed

    return run
