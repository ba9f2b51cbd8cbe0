"""What a bag is filled from: a stored review, a few devices in memory at a time, as it is or redacted."""

from __future__ import annotations

import json
import tempfile
import weakref
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, BinaryIO, TypeVar, cast

from hardenprobe.decisions.entry import Entry
from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.model import Device, Observation, Result, Review, UsedFile
from hardenprobe.model.document import decode_device, decode_results, to_document
from hardenprobe.model.rows import Part, read_observations
from hardenprobe.model.transcript import utc_now
from hardenprobe.model.usage import UsageSource, Use
from hardenprobe.store import input_files
from hardenprobe.store import usage as usage_store
from hardenprobe.store.device_rows import head_of, written
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.store import UNREADABLE, Store

T = TypeVar("T")
VOLUME = 100  # devices that one report holds; a page of so many has some 10 MB


class DeviceEvidence:
    """One device of a review, with what was seen and said of it; each is read when it is asked for.

    Raises:
        StoreRefused: What is stored cannot be read; each of the attributes may raise it.
    """

    def __init__(self, row: Part, review: str) -> None:
        self.row = row
        self._review = review

    @cached_property
    def device(self) -> Device:
        return self._read(lambda: decode_device(json.loads(self.row.record)))

    @cached_property
    def observations(self) -> tuple[Observation[Any], ...]:
        return self._read(lambda: tuple(read_observations(self.row.observations)))

    @cached_property
    def results(self) -> tuple[Result, ...]:
        return self._read(lambda: decode_results(json.loads(self.row.results)))

    def _read(self, read: Callable[[], T]) -> T:
        try:
            return read()
        except (*UNREADABLE, UsageError) as exc:
            raise changed_outside(self._review, type(exc).__name__) from exc


@dataclass(frozen=True, kw_only=True)
class Source:
    """A review to be packed.

    Attributes:
        outline: Without devices, observations and results.
        rows: Makes a pass over its devices.
        digest: That of the review in its store's chain; None where the source is not what is stored.
        document: Its whole document, canonical.
        ledger: The ledger up to the entry that the review was judged with.
        attached: Reads a file of the ledger by its SHA-256.
        used: Reads a file that the review rests on; raises UsageError where it is not at hand.
        usage: What the evidence of use of its devices covers when the bag is packed, without what has expired.
        uses: Makes a pass over who used which of their services.
    """

    outline: Review
    rows: Callable[[], Iterator[Part]]
    digest: str | None
    document: Callable[[], Iterator[bytes]]
    ledger: tuple[Entry, ...]
    attached: Callable[[str], bytes]
    used: Callable[[UsedFile], bytes]
    usage: tuple[UsageSource, ...] = ()
    uses: Callable[[], Iterator[Use]] = lambda: iter(())

    def devices(self) -> Iterator[DeviceEvidence]:
        """Every device in order."""
        return (DeviceEvidence(row, self.outline.head.id) for row in self.rows())

    def volumes(self) -> Iterator[tuple[int, list[DeviceEvidence]]]:
        """Its devices in volumes of `VOLUME`: the number of the first one, and all of them; one that is empty where there is none."""
        held: list[DeviceEvidence] = []
        first = 1
        for one in self.devices():
            held.append(one)
            if len(held) == VOLUME:
                yield first, held
                first += len(held)
                held = []
        if held or first == 1:
            yield first, held


def of(store: Store, review: str) -> Source:
    """A review as it is stored.

    Args:
        review: Its id.

    Raises:
        StoreRefused: It was changed from outside, or cannot be read.
        UsageError: It was imported.
    """
    outline = store.outline(review)
    if outline.head.imported:
        raise UsageError(
            f"review {review} was imported from a bag; pass that bag on, whose signature is its own"
        )
    book = Ledger(store)
    if outline.head.ledger and (fault := book.fault()):
        raise UsageError(f"{fault}; evidence that rests on it cannot be packed")
    today = utc_now()[:10]
    sources = {one.id: one for one in usage_store.sources(store) if not one.expired(today)}

    def uses() -> Iterator[Use]:
        for row in store.parts(review) if sources else ():
            addresses = [one.address for one in decode_device(json.loads(row.record)).addresses]
            yield from (one for one in usage_store.uses(store, addresses) if one.source in sources)

    return Source(
        outline=outline,
        rows=lambda: store.parts(review),
        digest=store.digest(review),
        document=lambda: store.document_bytes(review),
        ledger=_up_to(book.entries(), outline.head.ledger),
        attached=book.file,
        used=lambda one: input_files.read(store, one),
        usage=tuple(sources.values()),
        uses=uses,
    )


def changed(
    source: Source,
    outline: Review,
    change: Callable[[DeviceEvidence], Part],
    usage: tuple[UsageSource, ...] = (),
    uses: Callable[[], Iterator[Use]] = lambda: iter(()),
) -> Source:
    """A source of the same devices, each of them changed and in the order of their new ids; nothing of the ledger is in it."""
    rows = _Sorted(lambda: (change(one) for one in source.devices()))

    def document() -> Iterator[bytes]:
        head: Mapping[str, Any] = head_of(to_document(outline))
        return written(head, lambda column: (getattr(row, column) for row in rows()))

    def attached(sha256: str) -> bytes:
        raise UsageError(f"the file {sha256} is not for a redacted bag")

    def used(one: UsedFile) -> bytes:
        raise UsageError(f"{one.role} {one.name!r} is not for a redacted bag")

    return Source(
        outline=outline, rows=rows, digest=None, document=document, ledger=(), attached=attached, used=used,
        usage=usage, uses=uses,
    )  # fmt: skip


class _Sorted:
    """Rows in the order of their devices' ids. They are written to a file once, since they may be too many to hold."""

    def __init__(self, make: Callable[[], Iterator[Part]]) -> None:
        self._make = make
        self._places: list[tuple[str, int, int]] = []  # device, offset, length
        self._file: BinaryIO | None = None

    def __call__(self) -> Iterator[Part]:
        file = self._file or self._written()
        for device, offset, length in self._places:
            file.seek(offset)
            record, observations, results = json.loads(file.read(length))
            yield Part(device=device, record=record, observations=observations, results=results)

    def _written(self) -> BinaryIO:
        file = self._file = cast(BinaryIO, tempfile.TemporaryFile())  # noqa: SIM115 - open as long as this object is
        weakref.finalize(self, file.close)
        at = 0
        for row in self._make():
            line = json.dumps([row.record, row.observations, row.results]).encode()
            file.write(line)
            self._places.append((row.device, at, len(line)))
            at += len(line)
        self._places.sort()
        return file


def changed_outside(review: str, why: str) -> StoreRefused:
    """What is reported of a review that was changed in its store."""
    return StoreRefused(f"review {review} was changed from outside ({why}); it cannot be packed")


def _up_to(entries: tuple[Entry, ...], mark: str | None) -> tuple[Entry, ...]:
    last = next((entry.number for entry in entries if entry.digest == mark), 0)
    return tuple(entry for entry in entries if entry.number <= last)


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What a bag is to hold beside what the store has.

    Attributes:
        capture: A file of packets.
        anchors: PEM files that the scan was given.
        self_test: Its document, or why there is none.
        authorisation: The signed authorisation of the scan, as a file.
        packed_by: Versions that wrote it; those of this process where there are none.
    """

    self_test: dict[str, Any]
    packed_by: Mapping[str, str] = field(default_factory=dict)
    capture: Path | None = None
    anchors: tuple[Path, ...] = ()
    authorisation: Path | None = None
