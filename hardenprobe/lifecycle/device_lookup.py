"""One device over the reviews of a store: which one a name means, where it is kept, and what each review says of it."""

from __future__ import annotations

import json
from collections.abc import Container, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import sqlalchemy as sa

from hardenprobe.decisions import device_register
from hardenprobe.decisions.device_register import LifecycleEvent, Marks
from hardenprobe.decisions.inputs import names_of
from hardenprobe.errors import UnknownName, UsageError, clip
from hardenprobe.model import Device
from hardenprobe.model.rows import Part, read_device
from hardenprobe.store.device_rows import PAGE
from hardenprobe.store.schema import parts as _parts
from hardenprobe.store.schema import reviews as _reviews
from hardenprobe.store.store import UNREADABLE, Store

SHOWN = 8  # devices that are listed where a name means several


@dataclass(frozen=True, kw_only=True)
class Appearance:
    """A device as one review has it.

    Attributes:
        marks: What tells it apart from every other device of that review.
    """

    review: str
    device: Device
    marks: Marks


@dataclass(frozen=True, kw_only=True)
class Row:
    """A row of a device that one review holds, results unread.

    Attributes:
        others: The rows beside it, of a review that took the device for several.
    """

    review: str
    device: Device
    results: str
    others: tuple[Row, ...] = ()


def review_ids(kept: Store) -> list[str]:
    """Every review that tells of whole devices, the newest first; a recheck does not."""
    again = kept.rechecks()
    with kept.reading() as db:
        ids = db.execute(sa.select(_reviews.c.id).order_by(_reviews.c.number.desc())).scalars()
        return [one for one in ids if one not in again]


def find(kept: Store, name: str, review: str | None = None) -> Appearance:
    """The device that a name means, as the newest review has it that knows it.

    Args:
        name: An id or the unique beginning of one, an asset tag, a name or an address. Newer reviews go first: where the
            newest has one of that name, no other is meant.
        review: Id of the one review to look in.

    Raises:
        UsageError: There is no review, no device of that name, or several; then they are listed.
    """
    ids = [review] if review else review_ids(kept)
    if not ids:
        kept.find("latest")  # which says that there is none
    known: list[str] = []
    for at, one in enumerate(ids):
        fleet = list(devices(kept, one))
        meant = _meant(name, fleet)
        if len(meant) > 1:
            raise UsageError(_several(name, meant))
        if meant:
            return _newest(kept, meant[0], ids[: at + 1], one, fleet)
        known = known or [other for device in fleet for other in names_of(device)]
    where = f"device in review {review}" if review else "device in any review"
    raise UnknownName(where, name, known, see="hardenprobe reviews")


def _newest(kept: Store, device: Device, newer: list[str], review: str, fleet: list[Device]) -> Appearance:
    """The device where it was met last: an address of an older review may have named it."""
    for one in newer[:-1]:
        others = list(devices(kept, one))
        if found := next((d for d in others if device.id in d.ids), None):
            return _appearance(one, found, others)
    return _appearance(review, device, fleet)


def in_review(kept: Store, review: str, device: Device) -> Appearance:
    """A device among the others of a review.

    Raises:
        StoreRefused: The review cannot be read.
    """
    return _appearance(review, device, list(devices(kept, review)))


def _appearance(review: str, device: Device, fleet: Iterable[Device]) -> Appearance:
    every = [device_register.telling(one.identity) for one in fleet]
    return Appearance(
        review=review,
        device=device,
        marks=device_register.own(device_register.telling(device.identity), every),
    )


def _meant(name: str, fleet: Sequence[Device]) -> list[Device]:
    """By id alone where one has it, else by asset tag, by name or address, or by the beginning of an id."""
    return (
        [d for d in fleet if name in d.ids]
        or [d for d in fleet if d.asset_tag == name]
        or [d for d in fleet if name in names_of(d)]
        or [d for d in fleet if name and d.id.startswith(name)]
    )


def _several(name: str, meant: Sequence[Device]) -> str:
    listed = "; ".join(
        f"{clip(d.label, 60)} is {d.id} at {', '.join(a.address for a in d.addresses)}" for d in meant[:SHOWN]
    )
    more = f"; and {len(meant) - SHOWN} more" if len(meant) > SHOWN else ""
    return f"{clip(name)} means {len(meant)} devices: {listed}{more}; give the asset tag or the id"


def devices(kept: Store, review: str) -> Iterator[Device]:
    """The devices of a review, without what they showed.

    Raises:
        StoreRefused: One cannot be read.
    """
    last = -1
    while True:
        query = (
            sa.select(_parts.c.number, _parts.c.record)
            .where(_parts.c.review == review, _parts.c.number > last)
            .order_by(_parts.c.number)
            .limit(PAGE * 10)
        )
        with kept.reading() as db:
            rows = db.execute(query).all()
        for row in rows:
            yield _device(kept, review, row.record)
        if not rows:
            return
        last = rows[-1].number


def heard_of(kept: Store, name: str | None, tag: str | None) -> bool:
    """Tell whether the newest review has a device of a name, or one with a tag; True where there is no review yet.

    Raises:
        StoreRefused: It cannot be read.
    """
    newest = next(iter(review_ids(kept)), None)
    return newest is None or any(
        tag in one.tags if name is None else name in names_of(one) for one in devices(kept, newest)
    )


def part(kept: Store, review: str, device: str) -> Part:
    """The row of one device.

    Raises:
        StoreRefused: It is not there.
    """
    columns = (_parts.c.record, _parts.c.observations, _parts.c.results)
    query = sa.select(*columns).where(_parts.c.review == review, _parts.c.device == device)
    with kept.reading() as db:
        row = db.execute(query).first()
    if row is None:
        raise kept.unreadable(review, f"device {device} is gone")
    return Part(device=device, record=row[0], observations=row[1], results=row[2])


def appearances(
    kept: Store, device: Device, marks: Marks, turns: Sequence[LifecycleEvent] = ()
) -> Iterator[Row]:
    """Every review's row of a device, the oldest first: by its ids, else by what tells it apart.

    In a review where several devices bear one of the weaker marks, none of them is taken by it.

    Args:
        turns: What the ledger holds; ids that the device had when it was accepted or retired count, too.
    """
    register = device_register.Register(turns)
    own = register.of(device.ids, marks)
    ids = device.ids | ({own[0].device} if own else set())
    sought = sa.or_(
        _parts.c.device.in_(ids), *(_parts.c.record.contains(_quoted(v), autoescape=True) for _, v in marks)
    )
    query = (
        sa.select(_parts.c.review, _parts.c.record, _parts.c.number)
        .join(_reviews, _reviews.c.id == _parts.c.review)
        .where(sought)
        .order_by(_reviews.c.number, _parts.c.number)
    )
    with kept.reading() as db:
        rows = db.execute(query).all()
    by_review: dict[str, list[Device]] = {}
    for row in rows:
        by_review.setdefault(row.review, []).append(_device(kept, row.review, row.record))
    for review, found in by_review.items():
        mine = [
            Row(review=review, device=one, results=part(kept, review, one.id).results)
            for one in _same(found, device.id, ids, marks)
        ]
        if mine:
            yield replace(mine[0], others=tuple(mine[1:]))


def _same(found: Sequence[Device], device: str, ids: Container[str], marks: Marks) -> list[Device]:
    by_id = [d for d in found if d.id in ids]
    if by_id:
        return sorted(by_id, key=lambda one: one.id != device)
    alike = [(d, device_register.telling(d.identity)) for d in found]
    alike = [(d, theirs) for d, theirs in alike if not device_register.differ(marks, theirs)]
    strong = {mark for mark in marks if mark[0] in device_register.STRONG}
    for wanted in (strong, set(marks) - strong):
        by_mark = [d for d, theirs in alike if wanted.intersection(theirs)]
        if len(by_mark) == 1:
            return by_mark
    return []


def _quoted(value: str) -> str:
    """A text as a row writes it."""
    return json.dumps(value, ensure_ascii=False)


def _device(kept: Store, review: str, record: str) -> Device:
    try:
        return read_device(record)
    except (*UNREADABLE, UsageError) as exc:
        raise kept.unreadable(review, type(exc).__name__) from exc
