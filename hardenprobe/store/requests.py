"""What each scan was asked, beside its review, so that the same can be asked again; it names files of this machine and stays here."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.store.schema import requests as _requests

if TYPE_CHECKING:
    from hardenprobe.store.store import Store


def keep(db: sa.Connection, review: str, request: Mapping[str, Any]) -> None:
    """Keep the request of a review, in plain JSON types."""
    db.execute(_requests.insert().values(review=review, document=json.dumps(dict(request))))


def read(store: Store, review: str) -> dict[str, Any]:
    """The request of a review.

    Raises:
        UsageError: The store does not hold it.
        StoreRefused: It was changed from outside.
    """
    with store.reading() as db:
        row = None
        if sa.inspect(db).has_table(_requests.name):
            row = db.execute(sa.select(_requests.c.document).where(_requests.c.review == review)).first()
    if row is None:
        raise UsageError(
            f"store {store.shown} does not hold how review {review} was asked for; scan once more"
        )
    try:
        found = json.loads(row.document)
    except ValueError:
        found = None
    if not isinstance(found, dict):
        raise StoreRefused(f"how review {review} was asked for was changed from outside")
    return found


def forget(db: sa.Connection, review: str) -> None:
    """Take the request of a review out with it."""
    if sa.inspect(db).has_table(_requests.name):
        db.execute(_requests.delete().where(_requests.c.review == review))
