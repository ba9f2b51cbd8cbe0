"""Where reviews are kept: SQLite in the user's data folder by default, another database by URL.

A review is kept as its parts: a head, one row a device with its observations, one row a device with its results. Each
review's digest covers the digest of the review before it, so that a review cannot be changed or left out unseen.
"""

from __future__ import annotations

import json
import re
import secrets
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import exc as sa_exc

from hardenprobe.codec import canonical, digest, from_document, to_document
from hardenprobe.errors import StoreRefused, UnknownName, UsageError, clip
from hardenprobe.records import Review

FORMAT = "hardenprobe.store/1"
LATEST = "latest"
UNREADABLE = (
    ValueError,
    KeyError,
    TypeError,
    AttributeError,
)  # what edited JSON raises when it is taken apart

_tables = sa.MetaData()
_about = sa.Table(
    "hardenprobe_store",
    _tables,
    sa.Column("format", sa.String(40), primary_key=True),
)
_reviews = sa.Table(
    "reviews",
    _tables,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("id", sa.String(40), unique=True, nullable=False),
    sa.Column("scope", sa.String(200), nullable=False, index=True),
    sa.Column("started", sa.String(40), nullable=False),
    sa.Column("digest", sa.String(64), nullable=False),
    sa.Column("previous_digest", sa.String(64), nullable=True),
    sa.Column("document", sa.Text, nullable=False),
)
_parts = sa.Table(
    "parts",
    _tables,
    sa.Column("review", sa.String(40), primary_key=True),
    sa.Column("device", sa.String(80), primary_key=True),
    sa.Column("observations", sa.Text, nullable=False),
    sa.Column("results", sa.Text, nullable=False),
)


@dataclass(frozen=True, kw_only=True)
class Stored:
    """A line of the list of reviews.

    Attributes:
        intact: The digest still fits, and so does its link to the review before it.
    """

    id: str
    scope: str
    started: str
    devices: int
    findings: int
    intact: bool


def default_url() -> str:
    """The store that is used when none is named."""
    from platformdirs import user_data_path

    return f"sqlite:///{user_data_path('hardenprobe', appauthor=False) / 'store.db'}"


def new_id() -> str:
    """A review's id: its start in UTC, then randomness so that two scans of one second differ."""
    return f"{datetime.now(UTC):%Y%m%d-%H%M%S}-{secrets.token_hex(3)}"


class Store:
    """An open store. Use `opened()`."""

    def __init__(self, engine: sa.Engine, shown: str, file: Path | None = None) -> None:
        self.engine = engine
        self.file = file
        self.notices: tuple[str, ...] = ()
        self._shown = shown
        self._inode = file.stat().st_ino if file else 0

    def still_there(self) -> None:
        """Make sure that the file is the one that was opened: a database goes on writing to one that was deleted.

        Raises:
            StoreRefused: It was deleted or replaced.
        """
        try:
            there = self.file is None or self.file.stat().st_ino == self._inode
        except OSError:
            there = False
        if not there:
            raise StoreRefused(f"store {self._shown} was deleted or replaced while it was in use")

    def save(self, review: Review, and_then: Callable[[sa.Connection], None] | None = None) -> Review:
        """Keep a review, chained to the newest one of the same scope.

        Args:
            and_then: More to do in the same transaction.

        Returns:
            The review as kept, with `previous` filled in.

        Raises:
            StoreRefused: The store cannot be written. Nothing is kept in half.
        """
        self.still_there()
        with self.asking(), self.engine.begin() as db:
            # Writing first takes the lock, so that two reviews kept at once do not follow the same one.
            db.execute(_about.update().values(format=FORMAT))
            last = db.execute(
                sa.select(_reviews.c.id, _reviews.c.digest)
                .where(_reviews.c.scope == review.head.scope)
                .order_by(_reviews.c.number.desc())
                .limit(1)
            ).first()
            document = to_document(review)
            document["review"]["previous"] = last.id if last else None
            document["review"]["previous_digest"] = last.digest if last else None
            whole = digest(document)
            parts = _split(document)
            db.execute(
                _reviews.insert().values(
                    id=review.head.id,
                    scope=review.head.scope,
                    started=review.head.started,
                    digest=whole,
                    previous_digest=last.digest if last else None,
                    document=_dump(document),
                )
            )
            if parts:
                db.execute(_parts.insert(), [{"review": review.head.id, **part} for part in parts])
            if and_then:
                and_then(db)
        previous, before = document["review"]["previous"], document["review"]["previous_digest"]
        return replace(review, head=replace(review.head, previous=previous, previous_digest=before))

    def load(self, name: str, scope: str | None = None) -> Review:
        """Read a review by id, by the unique beginning of one, or "latest".

        Raises:
            UnknownName: There is no such review, or several begin so.
            StoreRefused: What is kept cannot be read.
        """
        return from_document(self._document(self.find(name, scope)))

    def find(self, name: str, scope: str | None = None) -> str:
        """Resolve a review's name to its id.

        Raises:
            UnknownName: As for `load`.
        """
        query = sa.select(_reviews.c.id).order_by(_reviews.c.number.desc())
        if scope:
            query = query.where(_reviews.c.scope == scope)
        with self.asking(), self.engine.connect() as db:
            known: list[str] = [row.id for row in db.execute(query)]
        if name == LATEST and known:
            return known[0]
        matching = [one for one in known if one == name] or [one for one in known if one.startswith(name)]
        if len(matching) == 1:
            return matching[0]
        if len(matching) > 1:
            raise UsageError(f"{len(matching)} reviews begin with {clip(name)}; write more of the id")
        if not known:
            raise UsageError(f"store {self._shown} holds no review yet; `hardenprobe scan` makes one")
        raise UnknownName("review", name, known, see="hardenprobe reviews")

    def reviews(self) -> list[Stored]:
        """Every review, the newest first."""
        with self.asking(), self.engine.connect() as db:
            rows = db.execute(sa.select(_reviews).order_by(_reviews.c.number)).all()
        found: list[Stored] = []
        last: dict[str, str] = {}
        for row in rows:
            devices = findings = 0
            try:
                document = self._document(row.id)
                devices = len(document["devices"])
                findings = sum(r["result"] == "fail" for r in document["results"])
                intact = digest(document) == row.digest and row.previous_digest == last.get(row.scope)
                intact = intact and document["review"]["previous_digest"] == row.previous_digest
            except (*UNREADABLE, StoreRefused):
                intact = False  # one review that cannot be read must not hide the others
            last[row.scope] = row.digest
            found.append(
                Stored(
                    id=row.id,
                    scope=row.scope,
                    started=row.started,
                    devices=devices,
                    findings=findings,
                    intact=intact,
                )
            )
        return found[::-1]

    def _document(self, review: str) -> dict[str, Any]:
        with self.asking(), self.engine.connect() as db:
            row = db.execute(sa.select(_reviews.c.document).where(_reviews.c.id == review)).one()
            parts = db.execute(
                sa.select(_parts.c.device, _parts.c.observations, _parts.c.results).where(
                    _parts.c.review == review
                )
            ).all()
        try:
            document: dict[str, Any] = json.loads(row.document)
            by_device = {p.device: p for p in parts}
            for device in document["devices"]:
                part = by_device[device["id"]]
                document["observations"] += json.loads(part.observations)
                document["results"] += json.loads(part.results)
            document["results"].sort(key=lambda r: r.pop("_at"))
        except UNREADABLE as exc:
            raise StoreRefused(
                f"review {review} in store {self._shown} cannot be read ({type(exc).__name__}); it was changed from outside"
            ) from exc
        return document

    def asking(self) -> AbstractContextManager[None]:
        """Turn the library's errors into ours."""
        return asking(self._shown)


@contextmanager
def asking(shown: str) -> Iterator[None]:
    """Turn the library's errors into ours, in one place."""
    try:
        yield
    except sa_exc.OperationalError as exc:
        raise StoreRefused(f"store {shown}: {_mend(str(exc.orig))}") from exc
    except sa_exc.SQLAlchemyError as exc:
        raise StoreRefused(f"store {shown}: {str(exc).splitlines()[0]}") from exc


@contextmanager
def opened(url: str | None = None) -> Iterator[Store]:
    """Open a store, and make it where there is none.

    Args:
        url: A database URL, or the path of an SQLite file.

    Raises:
        StoreRefused: It cannot be opened, is not ours, or is read-only.
    """
    url = url or default_url()
    if "://" not in url:
        url = f"sqlite:///{Path(url).expanduser()}"
    try:
        parsed = sa.make_url(url)
        plain = parsed.get_backend_name() == "sqlite" and not (parsed.database or "").startswith(
            ("file:", ":")
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
        from hardenprobe import spool

        store.notices = tuple(spool.take_in(store))
        yield store
    finally:
        engine.dispose()


def _prepare(engine: sa.Engine, shown: str) -> None:
    """Make sure that the database is ours and can be written."""
    try:
        with engine.begin() as db:
            names = set(sa.inspect(db).get_table_names())
            if names and _about.name not in names:
                raise StoreRefused(
                    f"store {shown} belongs to another program; name another file with --store"
                )
            _tables.create_all(db)
            known = db.execute(sa.select(_about.c.format)).scalars().all()
            if known and FORMAT not in known:
                raise StoreRefused(
                    f"store {shown} has the format {known[0]!r}; this version reads {FORMAT!r}"
                )
            if not known:
                db.execute(_about.insert().values(format=FORMAT))
            # Writing nothing would not show that nothing can be written.
            db.execute(_about.update().values(format=FORMAT))
    except sa_exc.DatabaseError as exc:
        text = str(exc.orig)
        if "not a database" in text or "malformed" in text:
            raise StoreRefused(f"store {shown} is no database; name another file with --store") from exc
        raise


def _masked(url: str) -> str:
    """A database URL with its password starred, be it well-formed or not."""
    return re.sub(r"(://[^/:@]*):[^/]*@", r"\1:***@", url)


def _mend(text: str) -> str:
    if "readonly" in text or "read-only" in text:
        return "it is read-only; mend its permissions, or name another file with --store"
    if "unable to open" in text:
        return "it cannot be opened; check the path and its permissions"
    if "full" in text:
        return "the disk is full; make room, or name another file with --store"
    if "locked" in text:
        return "another process holds it; try again when that has ended"
    return text.splitlines()[0]


def _split(document: dict[str, Any]) -> list[dict[str, str]]:
    """Take observations and results out of a document, by device."""
    observations: dict[str, list[Any]] = {d["id"]: [] for d in document["devices"]}
    results: dict[str, list[Any]] = {d["id"]: [] for d in document["devices"]}
    for seen in document["observations"]:
        observations[seen["device"]].append(seen)
    for at, result in enumerate(document["results"]):
        results[result["device"]].append({**result, "_at": at})
    document["observations"], document["results"] = [], []
    return [
        {"device": d, "observations": _dump(observations[d]), "results": _dump(results[d])}
        for d in observations
    ]


def _dump(value: Any) -> str:
    return canonical(value).decode()
