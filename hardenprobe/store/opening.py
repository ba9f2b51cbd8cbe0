"""Open a store: find it, make it, and see that it is ours."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy import exc as sa_exc

from hardenprobe.errors import StoreRefused, clip
from hardenprobe.store.schema import FORMAT, OLDER, about, tables
from hardenprobe.store.schema import make as make_tables
from hardenprobe.store.store import Store, asking


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
        StoreRefused: It cannot be opened, or is not ours. One that is read-only opens, and refuses what writes; so does one
            of the format before, until it is upgraded.
    """
    with connected(url, make=make) as (engine, shown, file):
        found = _prepare(engine, shown, make=make or file is not None)
        store = Store(engine, shown, file, None if found == FORMAT else found)
        from hardenprobe.store import spool

        store.notices = tuple(spool.take_in(store))
        yield store


@contextmanager
def connected(url: str | None, *, make: bool) -> Iterator[tuple[sa.Engine, str, Path | None]]:
    """The database of a URL, how people call it, and its file; whether it is a store is not looked at.

    Args:
        url, make: As for `opened`.

    Raises:
        StoreRefused: There is no such database.
    """
    make = make or not url
    url = url or default_url()
    if "://" not in url:
        url = f"sqlite:///{Path(url).expanduser()}"
    try:
        parsed = sa.make_url(url)
        lite = parsed.get_backend_name() == "sqlite"
        plain = lite and not (parsed.database or "").startswith(("file:", ":"))
        if plain and parsed.database and not make and not Path(parsed.database).exists():
            raise StoreRefused(
                f"store {parsed.database} does not exist; name the file that a scan wrote, by --store"
            )
        if plain and parsed.database:
            Path(parsed.database).parent.mkdir(parents=True, exist_ok=True)
        engine = sa.create_engine(parsed)
    except sa_exc.ArgumentError as exc:
        raise StoreRefused(
            f"--store {clip(_masked(url))} is no database URL; write a file, or sqlite:///FILE, or "
            "postgresql+psycopg://USER@HOST/DATABASE"
        ) from exc
    except ModuleNotFoundError as exc:
        extra = "; install hardenprobe[fleet]" if exc.name == "psycopg" else ""
        raise StoreRefused(
            f"--store {clip(_masked(url))} needs the Python package {exc.name}{extra}"
        ) from exc
    except OSError as exc:
        raise StoreRefused(f"store {_masked(url)}: {exc.strerror}") from exc
    shown = str(parsed.database) if lite else parsed.render_as_string(hide_password=True)
    try:
        yield engine, shown, Path(str(parsed.database)) if plain and parsed.database else None
    finally:
        engine.dispose()


def format_of(engine: sa.Engine, shown: str) -> str | None:
    """The format of a store; None for an empty database.

    Raises:
        StoreRefused: It belongs to another program, cannot be read, or has a format that this version does not read.
    """
    what = "file" if engine.dialect.name == "sqlite" else "database"
    with asking(shown):
        try:
            with engine.connect() as db:
                names = set(sa.inspect(db).get_table_names())
                if names and about.name not in names:
                    raise StoreRefused(
                        f"store {shown} belongs to another program; name another {what} with --store"
                    )
                known = db.execute(sa.select(about.c.format)).scalars().all() if names else []
        except sa_exc.DatabaseError as exc:
            said = str(exc.orig)
            if "not a database" in said or "malformed" in said:
                raise StoreRefused(f"store {shown} is no database; name another file with --store") from exc
            raise
    if known and known[0] not in (FORMAT, *OLDER):
        raise StoreRefused(
            f"store {shown} has the format {known[0]!r}; this version reads {FORMAT!r}. Name a new store by --store; the old "
            "one stays as it is"
        )
    return str(known[0]) if known else None


def _prepare(engine: sa.Engine, shown: str, *, make: bool) -> str:
    """Make sure that the database is ours and has its tables; one that has them is left as it is, to the byte.

    Returns:
        Its format.
    """
    known = format_of(engine, shown)
    if known in OLDER:
        return known
    if not known and not make:
        raise StoreRefused(f"database {shown} holds no store; name the one that a scan wrote, by --store")
    with asking(shown), engine.connect() as db:
        if known and set(tables.tables) <= set(sa.inspect(db).get_table_names()):
            return known
    with asking(shown), engine.begin() as db:
        make_tables(db)
        # Two that open a new store at once: the first one's lock makes the second see its row.
        if not db.execute(about.update().values(format=FORMAT)).rowcount:
            db.execute(about.insert().values(format=FORMAT))
    return FORMAT


def _masked(url: str) -> str:
    """A database URL with its password starred, be it well-formed or not."""
    return re.sub(r"(://[^/:@]*):[^/]*@", r"\1:***@", url)
