"""store/migrations: the steps lead to the tables that this version writes, and a step that fails changes nothing."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext

from hardenprobe.errors import StoreRefused
from hardenprobe.store import upgrade
from hardenprobe.store.opening import opened
from hardenprobe.store.schema import FORMAT, about, tables

OLD = Path(__file__).parents[1] / "golden" / "data" / "store-3.db"


def test_the_steps_make_what_this_version_makes() -> None:
    """By alembic's own comparison of a database with tables (https://alembic.sqlalchemy.org, autogenerate)."""
    engine = sa.create_engine("sqlite://")
    with engine.begin() as db:
        upgrade.run_steps(db, None)
        db.execute(about.insert().values(format=FORMAT))
        context = MigrationContext.configure(db, opts={"compare_type": True})
        assert compare_metadata(context, tables) == []


def test_an_upgrade_that_fails_leaves_the_store_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = Path(shutil.copy(OLD, tmp_path))
    before = file.read_bytes()
    packed = 0

    def pack(text: str) -> bytes:
        nonlocal packed
        packed += 1
        if packed > 20:
            raise sa.exc.OperationalError("", None, OSError("database or disk is full"))
        return text.encode()

    with monkeypatch.context() as patch:
        patch.setattr("hardenprobe.model.packing.pack", pack)
        with pytest.raises(StoreRefused, match="the disk is full"):
            upgrade.upgrade(str(file))
    assert packed > 20 and file.read_bytes() == before
    with opened(str(file), make=False) as kept:
        assert all(one.intact for one in kept.reviews())
