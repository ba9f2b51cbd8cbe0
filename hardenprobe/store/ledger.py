"""What people decide and declare, kept in the database of the reviews: entries are added, never changed or taken away.

Each entry's digest covers the digest of the entry before it, and each review names the newest entry that it was judged
with. To change an entry, or to remove one, every later entry and review would have to be rewritten.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace

import sqlalchemy as sa

from hardenprobe.checking.views.attestations import USED
from hardenprobe.decisions import exceptions, statements
from hardenprobe.decisions.entry import Draft, Entry
from hardenprobe.decisions.snapshot import Decisions
from hardenprobe.errors import StoreRefused, UsageError, clip
from hardenprobe.facts import ServiceUsed
from hardenprobe.model import Transport
from hardenprobe.model.document import canonical
from hardenprobe.model.transcript import utc_now
from hardenprobe.scope.accounts import operator
from hardenprobe.store import chain, usage
from hardenprobe.store.schema import ledger as _entries
from hardenprobe.store.schema import ledger_files as _files
from hardenprobe.store.store import Store


class Ledger:
    """The ledger of an open store."""

    def __init__(self, kept: Store) -> None:
        self._kept = kept

    def add(self, drafts: Sequence[Draft]) -> tuple[Entry, ...]:
        """Add entries, all of them or none.

        Raises:
            StoreRefused: The ledger was changed from outside, or cannot be written.
        """
        if found := self.fault():
            raise StoreRefused(f"{found}; nothing is added")
        with self._kept.writing() as db:
            known = list(_read(db))
            made: list[Entry] = []
            for draft in drafts:
                subject = draft.subject
                if subject.endswith("-"):
                    subject += str(1 + sum(one.kind == draft.kind for one in known + made))
                body = canonical(dict(draft.body))
                plain = chain.following(
                    (known + made)[-1] if known or made else None,
                    at=utc_now(),
                    kind=draft.kind,
                    subject=subject,
                    operator=operator(),
                    body=json.loads(body),
                )
                made.append(Entry(**plain))
                db.execute(_entries.insert().values({**plain, "body": body.decode()}))
                if draft.file is not None:
                    _keep(db, draft.file)
        return tuple(made)

    def entries(self) -> tuple[Entry, ...]:
        """Every entry, the oldest first.

        Raises:
            StoreRefused: One cannot be read.
        """
        with self._kept.reading() as db:
            return _read(db)

    def decisions(self) -> Decisions:
        """What it decides today; one that was changed from outside decides nothing, and a notice says so.

        Raises:
            StoreRefused: It holds an entry of another version.
        """
        today = utc_now()[:10]
        if found := self.fault():
            return Decisions(
                day=today, notices=(f"{found}; none of its exceptions and statements is applied",)
            )
        entries = self.entries()
        over = exceptions.expirations(exceptions.read(entries), today)
        if over:
            with suppress(StoreRefused):  # where it cannot be written, they are expired by the day alone
                entries = (*entries, *self.add(over))
        return replace(Decisions.of(entries, today), used=self._used(entries, today))

    def _used(self, entries: Sequence[Entry], today: str) -> Mapping[str, tuple[ServiceUsed, ...]]:
        """Use of the services that statements in force say are off or unused."""
        running = {one.control for one in statements.read(entries) if one.holds(today)}
        services = frozenset[tuple[Transport, int]]().union(*(USED.get(one, ()) for one in running))
        return usage.of_services(self._kept, services, today) if services else {}

    def fault(self, *, files: bool = False) -> str | None:
        """One line on where the ledger was changed from outside, None where it was not.

        Args:
            files: Hash every attached file too; else only that they are there.
        """
        try:
            entries = self.entries()
        except StoreRefused as exc:
            return str(exc)
        if at := chain.first_broken(entries):
            return f"the ledger of store {self._kept.shown} was changed from outside at entry {at}"
        head = self._kept.newest_head() or {}
        mark = None if head.get("imported") else head.get("ledger")  # of the ledger of another store
        if mark and mark not in {entry.digest for entry in entries}:
            name = f"review {head.get('id')} was judged with"
            return f"an entry that {name} is gone from the ledger of store {self._kept.shown}"
        return self._fault_of_files(entries, hashed=files)

    def _fault_of_files(self, entries: Iterable[Entry], *, hashed: bool) -> str | None:
        named = dict.fromkeys(e.body["file_sha256"] for e in entries if e.body.get("file_sha256"))
        with self._kept.reading() as db:
            known = set(db.execute(sa.select(_files.c.sha256)).scalars()) if named else set()
        for name in named:
            try:
                if hashed or name not in known:
                    self.file(name)
            except (StoreRefused, UsageError) as exc:
                return str(exc)
        return None

    def file(self, sha256: str) -> bytes:
        """Read an attached file back.

        Raises:
            UsageError: There is none of that digest.
            StoreRefused: It was changed from outside.
        """
        with self._kept.reading() as db:
            row = db.execute(sa.select(_files.c.data).where(_files.c.sha256 == sha256)).first()
        if row is None:
            raise UsageError(f"store {self._kept.shown} holds no file of SHA-256 {clip(sha256)}")
        data = row.data.encode() if isinstance(row.data, str) else bytes(row.data)
        if hashlib.sha256(data).hexdigest() != sha256:
            raise StoreRefused(f"the file {sha256} in store {self._kept.shown} was changed from outside")
        return data


def _read(db: sa.Connection) -> tuple[Entry, ...]:
    found: list[Entry] = []
    if not sa.inspect(db).has_table(_entries.name):  # nothing was ever added
        return ()
    for row in db.execute(sa.select(_entries).order_by(_entries.c.number)).mappings():
        try:
            body = json.loads(row["body"])
        except ValueError:
            body = None
        if not isinstance(body, dict):
            raise StoreRefused(f"entry {row['number']} of the ledger was changed from outside") from None
        found.append(Entry(**{**row, "body": body}))
    return tuple(found)


def _keep(db: sa.Connection, data: bytes) -> None:
    name = hashlib.sha256(data).hexdigest()
    if db.execute(sa.select(_files.c.sha256).where(_files.c.sha256 == name)).first() is None:
        db.execute(_files.insert().values(sha256=name, data=data))
