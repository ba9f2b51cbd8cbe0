"""Open a store: find it, make it, and see that it is ours."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy import exc as sa_exc

from hardenprobe.errors import StoreRefused, clip
from hardenprobe.store.device_rows import (
    make,
    tables,
)
from hardenprobe.store.store import FORMAT, Store, _about, asking


def default_url() -> str:
    """The store that is used when none is named."""
    from platformdirs import user_data_path

    return f"sqlite:///{user_data_path('hardenprobe', appauthor=False) / 'store.db'}"


@contextmanager
def opened(url: str | None = None, *, make: bool = True) -> Iterator[Store]:
    """Open a store, and make it where there is none.

    Args:
        url: A database URL, or the path of an SQLite file.
        make: Whether a file of that name may be made; the default store always is.

    Raises:
        StoreRefused: It cannot be opened, or is not ours. One that is read-only opens, and refuses what writes.
    """
    make = make or not url
    url = url or default_url()
    if "://" not in url:
        url = f"sqlite:///{Path(url).expanduser()}"
    try:
        parsed = sa.make_url(url)
        plain = parsed.get_backend_name() == "sqlite" and not (parsed.database or "").startswith(
            ("file:", ":")
        )
        if plain and parsed.database and not make and not Path(parsed.database).exists():
            raise StoreRefused(
                f"store {parsed.database} does not exist; name the file that a scan wrote, by --store"
            )
        if plain and parsed.database:
            Path(parsed.database).parent.mkdir(parents=True, exist_ok=True)
        engine = sa.create_engine(parsed)
    except sa_exc.ArgumentError as exc:
        raise StoreRefused(
            f"--store {clip(_masked(url))} is no database URL; write a file, or sqlite:///FILE"
        ) from exc
    except ModuleNotFoundError as exc:
        raise StoreRefused(f"--store {clip(_masked(url))} needs the Python package {exc.name}") from exc
    except OSError as exc:
        raise StoreRefused(f"store {_masked(url)}: {exc.strerror}") from exc
    shown = (
        parsed.database
        if parsed.get_backend_name() == "sqlite"
        else parsed.render_as_string(hide_password=True)
    )
    try:
        with asking(str(shown)):
            _prepare(engine, str(shown))
        file = Path(str(parsed.database)) if plain and parsed.database else None
        store = Store(engine, str(shown), file)
        from hardenprobe.store import spool

        store.notices = tuple(spool.take_in(store))
        yield store
    finally:
        engine.dispose()


def _prepare(engine: sa.Engine, shown: str) -> None:
    """Make sure that the database is ours and has its tables. One that has them is left as it is, to the byte."""
    try:
        with engine.connect() as db:
            names = set(sa.inspect(db).get_table_names())
            if names and _about.name not in names:
                raise StoreRefused(
                    f"store {shown} belongs to another program; name another file with --store"
                )
            known = db.execute(sa.select(_about.c.format)).scalars().all() if names else []
            if known and FORMAT not in known:
                raise StoreRefused(
                    f"store {shown} has the format {known[0]!r}; this version reads {FORMAT!r}. Name a new file by --store; the "
                    "old one stays as it is"
                )
        if known and names.issuperset(tables.tables):
            return
        with engine.begin() as db:
            make(tables, db)
            # Two that open a new store at once: the first one's lock makes the second see its row.
            if not known and not db.execute(_about.update().values(format=FORMAT)).rowcount:
                db.execute(_about.insert().values(format=FORMAT))
    except sa_exc.DatabaseError as exc:
        said = str(exc.orig)
        if "not a database" in said or "malformed" in said:
            raise StoreRefused(f"store {shown} is no database; name another file with --store") from exc
        raise


def _masked(url: str) -> str:
    """A database URL with its password starred, be it well-formed or not."""
    return re.sub(r"(://[^/:@]*):[^/]*@", r"\1:***@", url)
