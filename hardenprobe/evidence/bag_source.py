"""A bag as what another bag could be filled from: its review, a few devices in memory at a time."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from itertools import groupby
from typing import Any

from hardenprobe.decisions.entry import Entry
from hardenprobe.errors import UsageError, clip
from hardenprobe.evidence import parts_rules
from hardenprobe.evidence.container import Container
from hardenprobe.evidence.reading import LISTS, Malformed, entries
from hardenprobe.evidence.source import Source
from hardenprobe.model import Review, UsedFile
from hardenprobe.model.document import canonical, from_document
from hardenprobe.store.device_rows import Part

REVIEW = "data/review.json"
LEDGER = "data/ledger.json"
_MOST_LEDGER = 256 * 1024 * 1024  # bytes; some hundred thousand decisions


def of_bag(bag: Container, digest: str | None) -> Source:
    """A bag's review.

    Args:
        digest: SHA-256 of its document, None where it is not that of a stored review.

    Raises:
        UsageError: Its outline or its ledger cannot be read. Reading its devices raises it later.
    """
    return Source(
        outline=_outline(bag),
        rows=lambda: rows(bag),
        digest=digest,
        document=lambda: bag.document(REVIEW),
        ledger=_ledger(bag),
        attached=lambda sha256: b"".join(bag.document(f"data/statements/files/{sha256}")),
        used=lambda one: used(bag, one),
    )


def used(bag: Container, one: UsedFile) -> bytes:
    """A file that the review rests on.

    Raises:
        UsageError: The bag does not hold it, or holds another.
    """
    name = parts_rules.plain(one.name)
    path = {
        "baseline": f"baselines/{(one.of or '')[:16]}/{name}",
        "rule-set": f"rule-sets/{name}",
        "trust-anchors": "trust-anchors/trust-anchors.pem",
    }.get(one.role, f"inputs/{one.role}-{name}")
    if f"data/{path}" not in bag.names:
        raise UsageError(f"the bag holds no data/{path}")
    data = b"".join(bag.document(f"data/{path}"))
    if hashlib.sha256(data).hexdigest() != one.sha256:
        raise Malformed(f"data/{path} is not the {one.role} that the review names")
    return data


def rows(bag: Container) -> Iterator[Part]:
    """The devices of a bag's review, in their order, as a store keeps them.

    Raises:
        Malformed: Observations or results are there of a device that is not, or in another order.
    """
    observations, results = _Column(bag, "observations"), _Column(bag, "results")
    for device in _column(bag, "devices"):
        name = str(_of(device, "id"))
        yield Part(
            device=name,
            record=canonical(device).decode("utf-8", "surrogatepass"),
            observations=observations.take(name),
            results=results.take(name),
        )
    for column in (observations, results):
        column.end()


class _Column:
    """A list of a review's document, device by device."""

    def __init__(self, bag: Container, key: str) -> None:
        self._key = key
        self._groups = groupby(_column(bag, key), key=lambda entry: str(_of(entry, "device")))
        self._next = next(self._groups, None)

    def take(self, device: str) -> str:
        """The entries of the next device, as canonical JSON."""
        if self._next is None or self._next[0] != device:
            return "[]"
        text = canonical(list(self._next[1])).decode("utf-8", "surrogatepass")
        self._next = next(self._groups, None)
        return text

    def end(self) -> None:
        if self._next is not None:
            raise Malformed(
                f"review document: {self._key} of {clip(self._next[0])} are not in the order of devices"
            )


def _column(bag: Container, key: str) -> Iterator[Any]:
    return (value for found, value in entries(bag.document(REVIEW)) if found == key)


def _of(value: Any, key: str) -> Any:
    if not isinstance(value, dict):
        raise Malformed(f"review document: an object is expected, not {clip(value)}")
    return value.get(key)


def _outline(bag: Container) -> Review:
    head = {key: value for key, value in entries(bag.document(REVIEW)) if key not in LISTS}
    try:
        return from_document({**head, **{key: [] for key in LISTS}})
    except RecursionError as exc:
        raise Malformed("review document: one of its values is too deep") from exc


def _ledger(bag: Container) -> tuple[Entry, ...]:
    if LEDGER not in bag.names:
        return ()
    if bag.size(LEDGER) > _MOST_LEDGER:
        raise UsageError(f"{LEDGER} has more than {_MOST_LEDGER} bytes")
    try:
        found = json.loads(b"".join(bag.document(LEDGER)))
        return tuple(Entry(**entry) for entry in found)
    except (ValueError, TypeError, RecursionError) as exc:
        raise UsageError(f"{LEDGER} is no ledger ({type(exc).__name__})") from exc
