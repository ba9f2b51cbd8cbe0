"""Where the last devices of a scan go when its store fails: a file beside it, taken in when the store opens again.

Room for it is reserved before the scan starts, since a full disk is the likeliest reason to need it.
"""

from __future__ import annotations

import base64
import contextlib
import gzip
import hashlib
import json
import logging
import os
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.model import Cost
from hardenprobe.model.visit import ScanRecord, Visit
from hardenprobe.model.visit_document import decode_visit, encode_visit
from hardenprobe.store.device_rows import pages
from hardenprobe.store.journal import Journal, alive, this_process
from hardenprobe.store.store import UNREADABLE, Store

log = logging.getLogger("hardenprobe.store.spool")

ROOM = 8 * 1024 * 1024  # bytes reserved; the devices in progress when a disk fills up take a tenth of it
SUFFIX = ".spool"


class Spool:
    """One scan's spool.

    Raises:
        StoreRefused: There is no room to reserve.
    """

    def __init__(self, store: Store, begun: ScanRecord) -> None:
        self.path = folder(store) / f"{stem(store)}-{begun.id}{SUFFIX}"
        self.used = False
        self._end = 0
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._file = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600)
            os.posix_fallocate(self._file, 0, ROOM)
        except OSError as exc:
            self.path.unlink(missing_ok=True)
            raise StoreRefused(f"{self.path.parent} has no room to scan safely: {exc.strerror}") from exc
        self._append([{"begun": asdict(begun), "runner": this_process()}])

    def write(self, visits: Iterable[Visit], quiet: Mapping[tuple[str, int], bytes], sweep: Cost) -> None:
        """Keep what the store did not take.

        Args:
            sweep: What the sweep has cost so far.

        Raises:
            StoreRefused: The disk failed, or has no room beyond what was reserved.
        """
        lines: list[dict[str, Any]] = [
            {"quiet": [vantage, block, base64.b64encode(outcomes).decode()]}
            for (vantage, block), outcomes in quiet.items()
        ]
        wrote = False
        for page in pages(visits):  # since they may be all of a scan
            self._append([{"visit": encode_visit(visit)} for visit in page])
            wrote = self.used = True
        if lines or wrote:
            self._append([*lines, {"sweep": asdict(sweep)}])
            self.used = True

    def _append(self, lines: Iterable[Mapping[str, Any]]) -> None:
        # Each line its own compressed member: a torn end loses a line and not the file.
        data = b"".join(
            base64.b64encode(gzip.compress(json.dumps(line).encode(), 6)) + b"\n" for line in lines
        )
        try:
            self._write(data)
            os.fsync(self._file)
        except OSError as exc:
            raise StoreRefused(f"spool {self.path}: {exc.strerror}") from exc
        self._end += len(data)

    def _write(self, data: bytes) -> None:
        done = 0
        while done < len(data):  # a disk that fills up takes a part
            done += os.pwrite(self._file, data[done:], self._end + done)

    def close(self) -> None:
        """Give the room back; a spool that holds something stays, as on a disk that lets nothing go any more."""
        if self._file < 0:
            return
        with contextlib.suppress(OSError):
            if self.used:
                os.ftruncate(self._file, self._end)
        os.close(self._file)
        self._file = -1
        with contextlib.suppress(OSError):
            if not self.used:
                self.path.unlink(missing_ok=True)


def folder(store: Store) -> Path:
    """Where the spools of a store lie: beside its file, or in the user's data folder."""
    from platformdirs import user_data_path

    return store.file.parent if store.file else user_data_path("hardenprobe", appauthor=False)


def stem(store: Store) -> str:
    """How the spools of a store begin: no other store may take them in."""
    return store.file.name if store.file else f"store-{hashlib.sha256(store.shown.encode()).hexdigest()[:12]}"


def take_in(store: Store) -> list[str]:
    """Put what earlier scans spooled into the journal, and take the spools away.

    Returns:
        A line for people for each spool.
    """
    told = []
    for path in sorted(folder(store).glob(f"{stem(store)}-*{SUFFIX}")):
        try:
            text = path.read_bytes().rstrip(b"\0")
        except OSError as exc:
            told.append(f"spool {path} cannot be read: {exc.strerror}")
            continue
        held = _read(text)
        if held.begun is None:
            told.append(f"spool {path} cannot be read; it was changed from outside")
            continue
        if alive(held.runner):
            continue
        if not held.visits and not held.quiet:  # reserved by a scan that was killed while its store was well
            path.unlink(missing_ok=True)
            continue
        journal = Journal(store)
        try:
            journal.begin(held.begun, runner=held.runner)
            journal.keep(held.begun.id, held.visits, held.quiet, held.sweep)
        except StoreRefused as exc:
            told.append(f"spool {path} waits: {exc}")
            continue
        path.unlink(missing_ok=True)
        torn = f", {held.torn} torn" if held.torn else ""
        told.append(
            f"scan {held.begun.id}: {len(held.visits)} visits came in from its spool{torn}; "
            f"`hardenprobe scan --resume {held.begun.id}` goes on"
        )
    return told


@dataclass
class _Held:
    """What a spool holds."""

    begun: ScanRecord | None = None
    runner: str = ""
    visits: list[Visit] = field(default_factory=list)
    quiet: dict[tuple[str, int], bytes] = field(default_factory=dict)
    sweep: Cost | None = None
    torn: int = 0


def _read(text: bytes) -> _Held:
    held = _Held()
    for line in text.splitlines():
        try:
            entry = json.loads(gzip.decompress(base64.b64decode(line, validate=True)))
            if "begun" in entry:
                held.begun, held.runner = ScanRecord(**entry["begun"]), str(entry["runner"])
            elif "visit" in entry:
                held.visits.append(decode_visit(entry["visit"]))
            elif "sweep" in entry:
                held.sweep = Cost(**entry["sweep"])
            else:
                vantage, block, outcomes = entry["quiet"]
                held.quiet[str(vantage), int(block)] = base64.b64decode(outcomes)
        except (*UNREADABLE, OSError, EOFError, UsageError):
            log.warning("a torn line in a spool", exc_info=True)
            held.torn += 1
    return held
