"""Where reviews are kept: SQLite in the user's data folder by default, another database by URL.

A review is kept as a head and a row for each device (store/device_rows.py). Each review's digest covers the digest of the
review before it, and store/review_log.py keeps a record of all of them, so that none can be changed or left out unseen.
"""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlalchemy import exc as sa_exc

from hardenprobe.errors import StoreHeld, StoreRefused, UnknownName, UsageError, clip
from hardenprobe.model import Review
from hardenprobe.model.document import from_document, to_document
from hardenprobe.model.review_rows import rows_of
from hardenprobe.model.rows import Part, text
from hardenprobe.store import requests, review_log
from hardenprobe.store.device_rows import (
    BATCH,
    PackedPart,
    at,
    begin_digest,
    columns,
    delete,
    digest,
    end_digest,
    head_of,
    insert,
    joined,
    numbers,
    pages,
    read,
    read_packed,
    records_at,
    results_at,
    written,
)
from hardenprobe.store.review_log import LogEntry, Row, Stored
from hardenprobe.store.schema import FORMAT
from hardenprobe.store.schema import about as _about
from hardenprobe.store.schema import reviews as _reviews

LATEST = "latest"
P = TypeVar("P", Part, PackedPart)
UNREADABLE = (
    ValueError,
    KeyError,
    TypeError,
    AttributeError,
)  # what edited JSON raises when it is taken apart


class Store:
    """An open store. Use `opened()`."""

    def __init__(
        self, engine: sa.Engine, shown: str, file: Path | None = None, older: str | None = None
    ) -> None:
        self.engine = engine
        self.file = file
        self.older = older  # its format, where that is to be brought up to date before anything is written
        self.notices: tuple[str, ...] = ()
        self._shown = shown
        self._inode = file.stat().st_ino if file else 0

    @property
    def shown(self) -> str:
        """How people call this store."""
        return self._shown

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """A transaction of which there is one at a time, so that what it reads stays as it is.

        Raises:
            StoreRefused: The store cannot be written.
        """
        with self.adding() as db:
            db.execute(_about.update().values(format=FORMAT))  # takes the lock
            yield db

    @contextmanager
    def adding(self) -> Iterator[sa.Connection]:
        """A transaction beside which another process may have one.

        Raises:
            StoreRefused: The store cannot be written.
        """
        self.still_there()
        if self.older:
            raise StoreRefused(
                f"store {self._shown} has the format {self.older!r} and can only be read; copy it to a safe place, then run "
                f"`hardenprobe store upgrade --store {self._shown}`"
            )
        with self.asking(), self.engine.begin() as db:
            yield db

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A connection for what is kept beside the reviews.

        Raises:
            StoreRefused: The store cannot be read.
        """
        with self.asking(), self.engine.connect() as db:
            yield db

    def newest_head(self) -> dict[str, Any] | None:
        """The head of the newest review as it is kept; None where there is none that can be read."""
        with self.asking(), self.engine.connect() as db:
            row = db.execute(
                sa.select(_reviews.c.document).order_by(_reviews.c.number.desc()).limit(1)
            ).first()
        try:
            head = json.loads(row.document)["review"] if row else None
        except UNREADABLE:
            return None
        return head if isinstance(head, dict) else None

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

    def save(self, review: Review, beside: Callable[[sa.Connection], None] | None = None) -> Review:
        """Keep a review, chained to the newest one of the same scope.

        Args:
            beside: More to do in the same transaction, before; the room that it gives back is used.

        Returns:
            The review as kept, with `previous` filled in.

        Raises:
            StoreRefused: The store cannot be written. Nothing is kept in half.
        """
        rows = rows_of(review)
        document = head_of(to_document(replace(review, devices=(), results=(), observations={})))
        begun = begin_digest(document, _columns(rows))
        with self.writing() as db:
            if beside:
                beside(db)
            last = self._last(db, document)
            count = 0
            for page in pages(rows, size=4):  # unpacked, one has some 200 kB
                count = insert(db, review.head.id, page, count)
            self._enter(db, document, end_digest(begun, document), count)
        previous, before = (last.review, last.review_digest) if last else (None, None)
        return replace(review, head=replace(review.head, previous=previous, previous_digest=before))

    def save_parts(
        self, review: str, parts: Iterable[Part | PackedPart], head: Callable[[], dict[str, Any]]
    ) -> dict[str, Any]:
        """Keep a review that is too large to hold, a few devices at a time. It is not there before all of it is.

        Args:
            head: Called after the last of the parts: the document without its devices, observations and results.

        Returns:
            The head as kept, with its place in the chain.

        Raises:
            StoreRefused: The store cannot be written. Nothing is kept in half.
        """
        count = 0
        try:
            for page in pages(parts, BATCH):
                # A transaction for each batch, so that a scan that is running meanwhile can keep what it sees.
                with self.adding() as db:
                    count = insert(db, review, page, count)
            document = head()
            with self.asking():
                begun = begin_digest(document, columns(self.engine, review))
            with self.writing() as db:
                self._last(db, document)
                self._enter(db, document, end_digest(begun, document), count)
        except BaseException:
            with contextlib.suppress(StoreRefused), self.adding() as db:
                delete(db, review)
            raise
        return document

    def _last(self, db: sa.Connection, document: dict[str, Any]) -> LogEntry | None:
        """The review that a document follows in its scope, be it still there or not, written into its head."""
        last = review_log.last_kept(db, document["review"]["scope"])
        document["review"]["previous"] = last.review if last else None
        document["review"]["previous_digest"] = last.review_digest if last else None
        return last

    def _enter(self, db: sa.Connection, document: dict[str, Any], whole: str, devices: int) -> None:
        head = document["review"]
        db.execute(
            _reviews.insert().values(
                id=head["id"],
                scope=head["scope"],
                started=head["started"],
                digest=whole,
                previous_digest=head["previous_digest"],
                devices=devices,
                document=text(document),
            )
        )
        review_log.add(db, "kept", head["id"], head["scope"], whole)

    def load(self, name: str, scope: str | None = None) -> Review:
        """Read a review by id, by the unique beginning of one, or "latest", which is a scan and never a recheck.

        Raises:
            UnknownName: There is no such review, or several begin so.
            StoreRefused: What is kept cannot be read.
        """
        return from_document(self._document(self.find(name, scope)))

    def outline(self, review: str) -> Review:
        """A review without its devices, observations and results.

        Args:
            review: Its id.
        """
        return from_document(joined(self._head(review), ()))

    def parts(self, review: str) -> Iterator[Part]:
        """The devices of a review, in their order, a few of them in memory at a time.

        Raises:
            StoreRefused: One of them is gone.
        """
        return self._counted(review, read(self.engine, review))

    def packed_parts(self, review: str) -> Iterator[PackedPart]:
        """The same without their results, and as they are kept."""
        return self._counted(review, read_packed(self.engine, review))

    def _counted(self, review: str, rows: Iterator[P]) -> Iterator[P]:
        with self.asking(), self.engine.connect() as db:
            expected = db.execute(sa.select(_reviews.c.devices).where(_reviews.c.id == review)).scalar_one()
        count = 0
        with self.asking():
            for part in rows:
                count += 1
                yield part
        if count != expected:
            raise self.unreadable(review, f"{count} of its {expected} devices are there")

    def begun_before(self, day: str) -> list[str]:
        """Ids of the reviews that began before a day (ISO 8601), the oldest first."""
        query = sa.select(_reviews.c.id).where(_reviews.c.started < day).order_by(_reviews.c.number)
        with self.asking(), self.engine.connect() as db:
            return [row.id for row in db.execute(query)]

    def begun_since(self, moment: str) -> list[tuple[str, str, str]]:
        """Id, scope and start of the reviews that began after a moment (ISO 8601), in the order in which they were stored."""
        query = sa.select(_reviews.c.id, _reviews.c.scope, _reviews.c.started).where(
            _reviews.c.started > moment
        )
        with self.asking(), self.engine.connect() as db:
            rows = db.execute(query.order_by(_reviews.c.number))
            return [(row.id, row.scope, row.started) for row in rows]

    def rows(self, review: str) -> dict[str, int]:
        """In which row of a review each of its devices is, by id."""
        with self.asking():
            return numbers(self.engine, review)

    def some(self, review: str, rows: Iterable[int]) -> list[Part]:
        """The devices in some rows of a review; ask for a few at once."""
        with self.asking():
            return at(self.engine, review, rows)

    def some_results(self, review: str, rows: Iterable[int]) -> list[tuple[str, str, str]]:
        """Their ids, records and results alone."""
        with self.asking():
            return results_at(self.engine, review, rows)

    def records(self, review: str, rows: Iterable[int]) -> list[str]:
        """The records of the devices in some rows of a review; ask for a few at once."""
        with self.asking():
            return records_at(self.engine, review, rows)

    def document_bytes(self, review: str) -> Iterator[bytes]:
        """The bytes that a review's digest is taken over, a few devices in memory at a time: its document, canonical.

        Args:
            review: Its id.
        """
        head = self._head(review)
        with self.asking():
            yield from written(head, columns(self.engine, review))

    def digest(self, review: str) -> str:
        """The digest of a review as the chain of reviews has it."""
        with self.asking(), self.engine.connect() as db:
            return str(db.execute(sa.select(_reviews.c.digest).where(_reviews.c.id == review)).scalar_one())

    def unreadable(self, review: str, why: str) -> StoreRefused:
        """What is reported of a review that was changed."""
        return StoreRefused(
            f"review {review} in store {self._shown} cannot be read ({why}); it was changed from outside"
        )

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
            aside = self.rechecks() | self.judged_otherwise()
            if scan := next((one for one in known if one not in aside), None):
                return scan
            if scan := next((one for one in known if one not in self.rechecks()), None):
                return scan
            raise UsageError(f"store {self._shown} holds nothing but rechecks; name the one that you want")
        matching = [one for one in known if one == name] or [one for one in known if one.startswith(name)]
        if len(matching) == 1:
            return matching[0]
        if len(matching) > 1:
            raise UsageError(f"{len(matching)} reviews begin with {clip(name)}; write more of the id")
        if not known:
            raise UsageError(f"store {self._shown} holds no review yet; `hardenprobe scan` makes one")
        raise UnknownName("review", name, known, see="hardenprobe reviews")

    def rechecks(self) -> frozenset[str]:
        """Ids of the reviews that only ask about findings of another review again, and say nothing of the rest."""
        # The text alone would find the words in a notice, too.
        query = sa.select(_reviews.c.id, _reviews.c.document).where(
            _reviews.c.document.contains('"rechecks":"', autoescape=True)
        )
        with self.asking(), self.engine.connect() as db:
            found = [(row.id, row.document) for row in db.execute(query)]
        return frozenset(one for one, document in found if _rechecks(document))

    def judged_otherwise(self) -> frozenset[str]:
        """Ids of the reviews that judge a scan again by other baselines than the scan was judged by."""
        query = sa.select(_reviews.c.id, _reviews.c.document).where(
            _reviews.c.document.contains('"judged_from":"', autoescape=True)
        )
        with self.asking(), self.engine.connect() as db:
            again = {row.id: _judged_by(row.document) for row in db.execute(query)}
            scans = {scan for scan, _ in again.values()}
            rows = db.execute(sa.select(_reviews.c.id, _reviews.c.document).where(_reviews.c.id.in_(scans)))
            by = {row.id: _judged_by(row.document)[1] for row in rows}
        return frozenset(one for one, (scan, named) in again.items() if by.get(scan, "") not in ("", named))

    def aside(self) -> tuple[str, tuple[str, ...]]:
        """The review that `latest` names, and newer ones of that scan judged by other baselines, which it does not name."""
        latest = self.find(LATEST)
        otherwise = self.judged_otherwise()
        with self.asking(), self.engine.connect() as db:
            known: list[str] = [
                row.id for row in db.execute(sa.select(_reviews.c.id).order_by(_reviews.c.number.desc()))
            ]
        return latest, tuple(one for one in known[: known.index(latest)] if one in otherwise)

    def before(self, review: str) -> list[str]:
        """Ids of the reviews of the same scope that were kept before this one, the newest first."""
        this = sa.select(_reviews.c.number, _reviews.c.scope).where(_reviews.c.id == review).subquery()
        query = (
            sa.select(_reviews.c.id)
            .where(_reviews.c.scope == this.c.scope, _reviews.c.number < this.c.number)
            .order_by(_reviews.c.number.desc())
        )
        with self.asking(), self.engine.connect() as db:
            return [row.id for row in db.execute(query)]

    def of_scope(self, scope: str) -> list[str]:
        """Ids of the reviews of a scope, the oldest first."""
        query = sa.select(_reviews.c.id).where(_reviews.c.scope == scope).order_by(_reviews.c.number)
        with self.asking(), self.engine.connect() as db:
            return [row.id for row in db.execute(query)]

    def reviews(self) -> list[Stored]:
        """Every review that was ever stored, the newest first; what is gone, and how, is said of it."""
        with self.asking(), self.engine.connect() as db:
            rows = db.execute(sa.select(_reviews).order_by(_reviews.c.number)).all()
        return review_log.compared(self.links(), [self._row(row) for row in rows])[::-1]

    def links(self) -> tuple[LogEntry, ...]:
        """The record of reviews, the oldest entry first."""
        with self.asking(), self.engine.connect() as db:
            return review_log.read(db)

    def take_out(self, names: Iterable[str], by: str, reason: str) -> list[str]:
        """Delete reviews on purpose; the record keeps their digests, who took them out and why, so that the chain holds.

        Args:
            names: Ids.

        Raises:
            StoreRefused: The store cannot be written. Nothing is deleted in half.
        """
        done = []
        with self.writing() as db:
            for name in dict.fromkeys(names):
                row = db.execute(sa.select(_reviews).where(_reviews.c.id == name)).one()
                review_log.add(db, "taken out", name, row.scope, row.digest, by, reason)
                delete(db, name)
                requests.forget(db, name)
                db.execute(_reviews.delete().where(_reviews.c.id == name))
                done.append(name)
        return done

    def _row(self, row: Any) -> Row:
        findings, rechecks = 0, None
        try:
            for part in self.parts(row.id):
                findings += sum(r["result"] == "fail" for r in json.loads(part.results))
            head = self._head(row.id)
            rechecks = head["review"].get("rechecks")
            sound = digest(head, columns(self.engine, row.id)) == row.digest
            sound = sound and head["review"]["previous_digest"] == row.previous_digest
        except (*UNREADABLE, StoreRefused):
            sound = False  # one review that cannot be read must not hide the others
        return Row(
            id=row.id,
            scope=row.scope,
            started=row.started,
            devices=row.devices,
            findings=findings,
            digest=row.digest,
            previous_digest=row.previous_digest,
            sound=sound,
            rechecks=rechecks,
        )

    def _document(self, review: str) -> dict[str, Any]:
        head = self._head(review)
        try:
            return joined(head, self.parts(review))
        except UNREADABLE as exc:
            raise self.unreadable(review, type(exc).__name__) from exc

    def _head(self, review: str) -> dict[str, Any]:
        with self.asking(), self.engine.connect() as db:
            kept = db.execute(sa.select(_reviews.c.document).where(_reviews.c.id == review)).scalar_one()
        try:
            head = json.loads(kept)
        except ValueError as exc:
            raise self.unreadable(review, type(exc).__name__) from exc
        if not isinstance(head, dict):
            raise self.unreadable(review, "TypeError")
        return head

    def asking(self) -> AbstractContextManager[None]:
        """Turn the library's errors into ours."""
        return asking(self._shown)


def _columns(rows: Iterable[Part]) -> Callable[[str], Iterator[str]]:
    return lambda column: (getattr(row, column) for row in rows)


def _judged_by(document: str) -> tuple[str | None, str]:
    """The scan that a review judges again, None for a scan; and how its baselines were chosen, "" where that is not kept."""
    try:
        head = json.loads(document)["review"]
        named = head["versions"].get("baseline")
        return head.get("judged_from"), json.dumps([named, head["baselines"]]) if named else ""
    except UNREADABLE:
        return None, ""


def _rechecks(document: str) -> bool:
    try:
        return bool(json.loads(document)["review"]["rechecks"])
    except UNREADABLE:
        return False


@contextmanager
def asking(shown: str) -> Iterator[None]:
    """Turn the library's errors into ours, in one place."""
    try:
        yield
    except sa_exc.DBAPIError as exc:
        said = str(exc.orig)
        refused = StoreHeld if "locked" in said else StoreRefused
        raise refused(f"store {shown}: {_mend(said)}") from exc
    except sa_exc.SQLAlchemyError as exc:
        raise StoreRefused(f"store {shown}: {str(exc).splitlines()[0]}") from exc


def _mend(said: str) -> str:
    for words, mend in _MENDS.items():
        if re.search(words, said):
            return mend
    return said.splitlines()[0]


_MENDS = {
    "readonly|read-only": "it is read-only; correct its permissions, or name another file with --store",
    "permission denied": "this account may only read it; name one that may write, or another store with --store",
    "unable to open": "it cannot be opened; check the path and its permissions",
    "full|No space left": "the disk is full; make room, or name another file with --store",
    "locked": "another process holds it; try again when that has ended",
    "password authentication failed|no password supplied": "the server refuses this account; write its password to ~/.pgpass",
    "connection (failed|refused|is bad|to server)|server closed the connection|terminating connection|could not connect": (
        "the server cannot be reached, or ended the connection; check the address, and that it runs"
    ),
}
"""What a database says, to what helps."""
