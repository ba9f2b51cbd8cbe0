"""The rows that a review's devices are kept in: of each its record, its observations and its results.

The text of a row is a piece of the review's document, letter for letter, so that the document's digest is taken from
the rows, and a review of any size is read, judged again and verified a few devices at a time.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import islice
from typing import Any, TypeVar

import sqlalchemy as sa

from hardenprobe.model.document import canonical
from hardenprobe.model.packing import pack
from hardenprobe.model.rows import Part
from hardenprobe.store.schema import parts as _parts

T = TypeVar("T")

PAGE = 20  # devices in progress at once; one has some 150 kB
BATCH = 100  # devices that are written in one transaction; packed, one has some 30 kB

_PIECES = {"devices": "record", "observations": "observations", "results": "results"}


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedPart:
    """A row whose long texts stay packed, for whoever hands them on."""

    device: str
    record: str
    observations: bytes
    results: bytes = pack("[]")


def head_of(document: Mapping[str, Any]) -> dict[str, Any]:
    """What is left of a document without what parts hold."""
    return {key: value for key, value in document.items() if key not in _PIECES}


def joined(head: Mapping[str, Any], parts: Iterable[Part]) -> dict[str, Any]:
    """The document that was split.

    Raises:
        ValueError, TypeError: A row holds something else.
    """
    document: dict[str, Any] = {**head, "devices": [], "observations": [], "results": []}
    for part in parts:
        document["devices"].append(json.loads(part.record))
        for key, written in (("observations", part.observations), ("results", part.results)):
            entries = json.loads(written)
            if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
                raise TypeError(f"{key} are no list of objects")
            document[key] += entries
    return document


def insert(db: sa.Connection, review: str, parts: Iterable[Part | PackedPart], first: int = 0) -> int:
    """Write rows; the number of the first that is written next."""
    rows = [
        {
            "review": review,
            "number": number,
            "device": part.device,
            "record": part.record,
            "observations": part.observations,
            "results": part.results,
        }
        for number, part in enumerate(parts, first)
    ]
    if rows:
        db.execute(_parts.insert(), rows)
    return first + len(rows)


def delete(db: sa.Connection, review: str) -> None:
    """Take a review's rows out."""
    db.execute(_parts.delete().where(_parts.c.review == review))


def read(engine: sa.Engine, review: str) -> Iterator[Part]:
    """The rows of a review in their order; no connection is held while the caller works."""
    columns = (_parts.c.device, _parts.c.record, _parts.c.observations, _parts.c.results)
    for row in _paged(engine, review, *columns):
        yield Part(device=row[1], record=row[2], observations=row[3], results=row[4])


def read_packed(engine: sa.Engine, review: str) -> Iterator[PackedPart]:
    """The same without their results, and without unpacking them."""
    packed = sa.type_coerce(_parts.c.observations, sa.LargeBinary).label("observations")
    for row in _paged(engine, review, _parts.c.device, _parts.c.record, packed):
        yield PackedPart(device=row[1], record=row[2], observations=row[3])


def pages(items: Iterable[T], size: int = PAGE) -> Iterator[list[T]]:
    """Parts, or what represents them, by the page."""
    each = iter(items)
    while page := list(islice(each, size)):
        yield page


Columns = Callable[[str], Iterator[str]]
"""Given the name of a column ("record", "observations" or "results"): the texts in it, in order."""


def columns(engine: sa.Engine, review: str) -> Columns:
    """The texts of a stored review."""
    return lambda column: (row[1] for row in _paged(engine, review, _parts.c[column]))


def digest(head: Mapping[str, Any], rows: Columns) -> str:
    """The digest of a review's document: that of `codec.digest`, of the joined document."""
    return end_digest(begin_digest(head, rows), head)


def begin_digest(head: Mapping[str, Any], rows: Columns) -> Hash:
    """Everything of the document that comes before its "review", which holds its place in the chain."""
    return _hashed(hashlib.sha256(b"{"), _written(head, rows, lambda key: key < "review"))


def end_digest(begun: Hash, head: Mapping[str, Any]) -> str:
    """The rest of it."""
    whole = _hashed(begun.copy(), _written(head, None, lambda key: key >= "review"))
    whole.update(b"}")
    return str(whole.hexdigest())


Hash = Any  # what hashlib makes; its type has no public name


def _hashed(whole: Hash, pieces: Iterable[bytes]) -> Hash:
    for piece in pieces:
        whole.update(piece)
    return whole


def written(head: Mapping[str, Any], rows: Columns) -> Iterator[bytes]:
    """The bytes of a review's document, those that its digest is taken over, a row at a time."""
    yield b"{"
    yield from _written(head, rows, lambda _: True)
    yield b"}"


def _written(
    head: Mapping[str, Any],
    rows: Columns | None,
    wanted: Callable[[str], bool],
) -> Iterator[bytes]:
    """Keys and values as `codec.canonical` writes them."""
    keys = sorted({*head, *_PIECES})
    for key in filter(wanted, keys):
        yield b"," * (key != keys[0]) + canonical(key) + b":"
        if key not in _PIECES or rows is None:
            yield canonical(head[key])
            continue
        yield b"["
        between = b""
        for row in rows(_PIECES[key]):
            piece = row.encode()
            if key != "devices":
                piece = piece[1:-1]
            if piece:
                yield between + piece
                between = b","
        yield b"]"


def _paged(engine: sa.Engine, review: str, *columns: sa.ColumnElement[Any]) -> Iterator[Any]:
    """Some columns of each row, after its number."""
    last = -1
    while True:
        query = (
            sa.select(_parts.c.number, *columns)
            .where(_parts.c.review == review, _parts.c.number > last)
            .order_by(_parts.c.number)
            .limit(PAGE)
        )
        with engine.connect() as db:
            rows = db.execute(query).all()
        yield from rows
        if len(rows) < PAGE:
            return
        last = rows[-1].number


def numbers(engine: sa.Engine, review: str) -> dict[str, int]:
    """In which row of a review each device is."""
    query = sa.select(_parts.c.device, _parts.c.number).where(_parts.c.review == review)
    with engine.connect() as db:
        return {row.device: row.number for row in db.execute(query)}


def at(engine: sa.Engine, review: str, rows: Iterable[int]) -> list[Part]:
    """Some rows of a review; a few at once."""
    columns = (_parts.c.device, _parts.c.record, _parts.c.observations, _parts.c.results)
    query = sa.select(*columns).where(_parts.c.review == review, _parts.c.number.in_(list(rows)))
    with engine.connect() as db:
        return [Part(**row._mapping) for row in db.execute(query.order_by(_parts.c.number))]


def results_at(engine: sa.Engine, review: str, rows: Iterable[int]) -> list[tuple[str, str, str]]:
    """Device, its record and results of some rows of a review; a few at once."""
    query = sa.select(_parts.c.device, _parts.c.record, _parts.c.results).where(
        _parts.c.review == review, _parts.c.number.in_(list(rows))
    )
    with engine.connect() as db:
        return [(row.device, row.record, row.results) for row in db.execute(query)]


def records_at(engine: sa.Engine, review: str, rows: Iterable[int]) -> list[str]:
    """The records of some rows of a review; a few at once."""
    query = sa.select(_parts.c.record).where(_parts.c.review == review, _parts.c.number.in_(list(rows)))
    with engine.connect() as db:
        return list(db.execute(query.order_by(_parts.c.number)).scalars())
