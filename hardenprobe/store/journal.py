"""A scan in progress, kept in the store device by device, so that whatever ends it costs only the devices in progress.

A scan writes its order, then each finished visit as it comes. When its review is kept, the journal's rows
go in the same transaction; until then `take_up` hands everything back.

A device that answered has a row. Addresses without an answer are a byte each in a block of their vantage point, by
their position in the scan's order, so that a /8 of silence takes megabytes.
"""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass

import sqlalchemy as sa

from hardenprobe.errors import StoreRefused, UnknownName, UsageError, clip
from hardenprobe.model import Cost
from hardenprobe.model.document import canonical
from hardenprobe.model.visit import OUTCOMES, ResumableScan, ScanRecord, SilentAddresses, Visit
from hardenprobe.model.visit_document import decode_visit, encode_visit
from hardenprobe.store.schema import quiet as _quiet
from hardenprobe.store.schema import scans as _scans
from hardenprobe.store.schema import visits as _visits
from hardenprobe.store.store import LATEST, UNREADABLE, Store

_NAMES = {byte[0]: name for name, byte in OUTCOMES.items()}


@dataclass(frozen=True, kw_only=True)
class Unfinished:
    """A line of the list of scans that were begun and have no review of their whole plan yet.

    Attributes:
        devices: Addresses at which a device was met and asked.
        running: A process of this machine is at it now.
        elsewhere: Another machine began it, and may be at it.
    """

    id: str
    started: str
    scope: str
    devices: int
    running: bool
    elsewhere: bool


@dataclass(frozen=True, kw_only=True)
class VantageProgress:
    """How far a scan in progress is from one vantage point.

    Attributes:
        devices: Addresses at which a device was met and asked.
        silent: Addresses without a device.
    """

    vantage: str
    devices: int
    silent: int


class KeptVisits(Collection[Visit]):
    """The visits of a scan, read again each time, one in memory at a time.

    Raises:
        StoreRefused: One cannot be read, when it is its turn.
    """

    def __init__(self, journal: Journal, scan: str) -> None:
        self._journal = journal
        self._scan = scan

    def __len__(self) -> int:
        return self._journal.count(self._scan)

    def __iter__(self) -> Iterator[Visit]:
        return self._journal.visits_beside(self._scan, ())

    def __contains__(self, visit: object) -> bool:
        return any(one == visit for one in self)


class Journal:
    """The scans in progress of one store.

    Raises:
        StoreRefused: By every method, when the store cannot be read or written.
    """

    def __init__(self, store: Store) -> None:
        self._store = store

    def begin(self, begun: ScanRecord, runner: str | None = None) -> None:
        """Write down a scan's order. Twice is harmless: it records who continues it.

        Args:
            runner: The process that is at it, this one by default.
        """
        row = {
            "started": begun.started,
            "runner": runner or this_process(),
            "begun": canonical(asdict(begun)).decode(),
        }
        with self._store.adding() as db:
            changed = db.execute(_scans.update().where(_scans.c.id == begun.id).values(**row))
            if not changed.rowcount:
                db.execute(_scans.insert().values(id=begun.id, sweep=_cost(Cost()), **row))

    def keep(
        self,
        scan: str,
        visits: Iterable[Visit],
        quiet: Mapping[tuple[str, int], bytes],
        sweep: Cost | None = None,
    ) -> None:
        """Keep what was finished, all of it or nothing. A visit that is kept already stays as it is.

        Args:
            sweep: What the sweep has cost so far; None leaves what is known.
        """
        with self._store.adding() as db:
            for visit in visits:
                row = {"scan": scan, "address": visit.address, "vantage": visit.vantage}
                same = sa.and_(*(_visits.c[key] == value for key, value in row.items()))
                if db.execute(sa.select(_visits.c.scan).where(same)).first() is None:
                    db.execute(_visits.insert().values(**row, document=encode_visit(visit)))
            for (vantage, block), outcomes in quiet.items():
                key = {"scan": scan, "vantage": vantage, "block": block}
                same = sa.and_(*(_quiet.c[name] == value for name, value in key.items()))
                before = db.execute(sa.select(_quiet.c.outcomes).where(same)).scalar()
                if before is None:
                    db.execute(_quiet.insert().values(**key, outcomes=outcomes))
                else:
                    merged = bytes(new or old for new, old in zip(outcomes, before, strict=True))
                    db.execute(_quiet.update().where(same).values(outcomes=merged))
            if sweep is not None:
                db.execute(_scans.update().where(_scans.c.id == scan).values(sweep=_cost(sweep)))

    def unfinished(self) -> list[Unfinished]:
        """The scans that can be taken up, the newest first."""
        count = sa.select(_visits.c.scan, sa.func.count().label("n")).group_by(_visits.c.scan).subquery()
        query = (
            sa.select(_scans, count.c.n)
            .join(count, count.c.scan == _scans.c.id, isouter=True)
            .order_by(_scans.c.started.desc(), _scans.c.id.desc())
        )
        with self._store.asking(), self._store.engine.connect() as db:
            if not sa.inspect(db).has_table(_scans.name):  # no scan was ever kept as it went
                return []
            rows = db.execute(query).all()
        found = []
        for row in rows:
            try:
                scope = str(json.loads(row.begun)["scope"])
            except UNREADABLE:
                scope = "unknown"
            found.append(
                Unfinished(
                    id=row.id,
                    started=row.started,
                    scope=scope,
                    devices=row.n or 0,
                    running=alive(row.runner),
                    elsewhere=row.runner.rpartition(" ")[0] != platform.node(),
                )
            )
        return found

    def progress(self, scan: str) -> list[VantageProgress]:
        """How far a scan is, by vantage point; empty where it is not in progress."""
        count = sa.select(_visits.c.vantage, sa.func.count()).where(_visits.c.scan == scan)
        with self._store.asking(), self._store.engine.connect() as db:
            met = {row[0]: row[1] for row in db.execute(count.group_by(_visits.c.vantage))}
            silent: dict[str, int] = {}
            for row in db.execute(
                sa.select(_quiet.c.vantage, _quiet.c.outcomes).where(_quiet.c.scan == scan)
            ):
                silent[row.vantage] = silent.get(row.vantage, 0) + len(row.outcomes) - row.outcomes.count(0)
        return [
            VantageProgress(vantage=name, devices=met.get(name, 0), silent=silent.get(name, 0))
            for name in sorted({*met, *silent})
        ]

    def begun(self, scan: str) -> ScanRecord | None:
        """The order of a scan; None where it is not in progress.

        Raises:
            StoreRefused: It cannot be read.
        """
        with self._store.asking(), self._store.engine.connect() as db:
            kept = db.execute(sa.select(_scans.c.begun).where(_scans.c.id == scan)).scalar()
        return None if kept is None else _begun(scan, kept)

    def count(self, scan: str) -> int:
        """How many visits of a scan are kept."""
        query = sa.select(sa.func.count()).select_from(_visits).where(_visits.c.scan == scan)
        with self._store.asking(), self._store.engine.connect() as db:
            return int(db.execute(query).scalar_one())

    def visits_beside(self, scan: str, known: Collection[tuple[str, str]]) -> Iterator[Visit]:
        """The visits of a scan beside some, by address and vantage point; one in memory at a time.

        Raises:
            StoreRefused: One cannot be read.
        """
        keys = sa.select(_visits.c.address, _visits.c.vantage).where(_visits.c.scan == scan)
        with self._store.asking(), self._store.engine.connect() as db:
            more = [(row[0], row[1]) for row in db.execute(keys) if (row[0], row[1]) not in known]
        for address, vantage in more:
            one = (_visits.c.scan == scan) & (_visits.c.address == address) & (_visits.c.vantage == vantage)
            with self._store.asking(), self._store.engine.connect() as db:
                text = db.execute(sa.select(_visits.c.document).where(one)).scalar()
            if text is not None:  # the review took its place meanwhile
                with _readable(scan):
                    visit = decode_visit(text)
                yield visit

    def take_up(self, name: str) -> ResumableScan:
        """What a scan has seen, by its id, the unique beginning of one, or "latest".

        Raises:
            UnknownName: No scan of that name was left unfinished.
            UsageError: Several begin so, or a process is still at it.
        """
        open_scans = self.unfinished()
        known = [one.id for one in open_scans]
        if not known:
            raise UsageError("no scan was left unfinished; `hardenprobe reviews` lists what is stored")
        matching = known[:1] if name == LATEST else [one for one in known if one.startswith(name)]
        if len(matching) > 1:
            raise UsageError(
                f"{len(matching)} unfinished scans begin with {clip(name)}; write more of the id"
            )
        if not matching:
            raise UnknownName("unfinished scan", name, known, see="hardenprobe reviews")
        (scan,) = matching
        with self._store.asking(), self._store.engine.connect() as db:
            row = db.execute(sa.select(_scans).where(_scans.c.id == scan)).one()
            blocks = db.execute(sa.select(_quiet).where(_quiet.c.scan == scan)).all()
        if alive(row.runner):
            raise UsageError(f"scan {scan} is still running, as process {row.runner.rpartition(' ')[2]}")
        with _readable(scan):
            return ResumableScan(
                begun=ScanRecord(**json.loads(row.begun)),
                visits=KeptVisits(self, scan),
                quiet=SilentAddresses(blocks={(b.vantage, b.block): bytearray(b.outcomes) for b in blocks}),
                sweep=Cost(**json.loads(row.sweep)),
            )

    def forget(self, scan: str) -> None:
        """Drop a scan in progress."""
        with self._store.adding() as db:
            self.forget_in(db, scan)

    @staticmethod
    def forget_in(db: sa.Connection, scan: str) -> None:
        """The same inside a transaction, that of the review which takes its place."""
        db.execute(_visits.delete().where(_visits.c.scan == scan))
        db.execute(_quiet.delete().where(_quiet.c.scan == scan))
        db.execute(_scans.delete().where(_scans.c.id == scan))


@contextmanager
def _readable(scan: str) -> Iterator[None]:
    """What was changed from outside is said in one line."""
    try:
        yield
    except UNREADABLE as exc:
        raise StoreRefused(
            f"scan {scan} cannot be read ({type(exc).__name__}); it was changed from outside"
        ) from exc


def _begun(scan: str, kept: str) -> ScanRecord:
    with _readable(scan):
        return ScanRecord(**json.loads(kept))


def _cost(cost: Cost) -> str:
    return canonical(asdict(cost)).decode()


def this_process() -> str:
    """Name this process among those of all machines that share a store."""
    return f"{platform.node()} {os.getpid()}"


def alive(runner: str) -> bool:
    """Tell whether the process that wrote this is still there; one of another machine is taken to be gone."""
    host, _, pid = runner.rpartition(" ")
    if host != platform.node() or not pid.isdigit() or int(pid) == os.getpid():
        return False
    try:
        os.kill(int(pid), 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
