"""The files that reviews rest on, kept once each under their SHA-256, so that evidence packed later still holds them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from typing import TYPE_CHECKING

import sqlalchemy as sa

from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.model import InputFile, UsedFile
from hardenprobe.store.schema import input_files as _files

if TYPE_CHECKING:
    from hardenprobe.store.store import Store


def keep(store: Store, files: Iterable[InputFile]) -> None:
    """Keep files; those that are kept already stay as they are.

    Raises:
        StoreRefused: The store cannot be written.
    """
    found = {one.used.sha256: one.data for one in files}
    if not found:
        return
    with store.writing() as db:
        known = set(db.execute(sa.select(_files.c.sha256).where(_files.c.sha256.in_(found))).scalars())
        rows = [{"sha256": name, "data": data} for name, data in found.items() if name not in known]
        if rows:
            db.execute(_files.insert(), rows)


def read(store: Store, used: UsedFile) -> bytes:
    """The bytes of a file.

    Raises:
        UsageError: The store does not hold it.
        StoreRefused: It was changed from outside.
    """
    with store.reading() as db:
        row = None
        if sa.inspect(db).has_table(_files.name):
            row = db.execute(sa.select(_files.c.data).where(_files.c.sha256 == used.sha256)).first()
    if row is None:
        raise UsageError(f"store {store.shown} does not hold {used.role} {used.name!r} of this review")
    data = row.data.encode() if isinstance(row.data, str) else bytes(row.data)
    if hashlib.sha256(data).hexdigest() != used.sha256:
        raise StoreRefused(f"{used.role} {used.name!r} in store {store.shown} was changed from outside")
    return data
