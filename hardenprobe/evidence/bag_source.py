"""A bag as what another bag could be filled from: its review, a few devices in memory at a time."""

from __future__ import annotations

import hashlib
import json
import tempfile
import weakref
from collections import deque
from collections.abc import Iterator
from itertools import groupby
from typing import Any, BinaryIO, NamedTuple, cast

from hardenprobe.decisions.entry import Entry
from hardenprobe.errors import UsageError, clip
from hardenprobe.evidence import parts_rules
from hardenprobe.evidence.container import Container
from hardenprobe.evidence.reading import LISTS, Malformed, entries
from hardenprobe.evidence.source import Source
from hardenprobe.model import Review, UsedFile
from hardenprobe.model.document import canonical, from_document
from hardenprobe.model.rows import Part

REVIEW = "data/review.json"
LEDGER = "data/ledger.json"
_MOST_LEDGER = 256 * 1024 * 1024  # bytes; some hundred thousand decisions


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


class Document:
    """The document of a bag's review, read in one pass: what is said of devices lies in a file, since it may be too much to hold.

    Attributes:
        head: Its values but for those of devices.
    """

    def __init__(self, bag: Container) -> None:
        """Read it.

        Raises:
            Malformed: It is no document of a review.
        """
        self._bag = bag
        self._file = cast(BinaryIO, tempfile.TemporaryFile())  # noqa: SIM115 - open as long as this object is
        weakref.finalize(self, self._file.close)
        self.head: dict[str, Any] = {}
        self._places: dict[str, list[_Place]] = {key: [] for key in LISTS}
        for (key, device), values in groupby(entries(bag.document(REVIEW)), key=_group):
            if device is None:
                self.head |= values
            elif key == "devices":
                for _, value in values:
                    self._keep(key, device, value)
            else:
                self._keep(key, device, [value for _, value in values])

    def _keep(self, key: str, device: str, value: Any) -> None:
        at = self._file.tell()
        self._places[key].append(_Place(device, at, self._file.write(canonical(value))))

    def source(self, digest: str | None) -> Source:
        """The bag's review, as what another bag could be filled from.

        Args:
            digest: SHA-256 of its document, None where it is not that of a stored review.

        Raises:
            UsageError: Its outline or its ledger cannot be read.
        """
        bag = self._bag
        return Source(
            outline=self._outline(),
            rows=self.rows,
            digest=digest,
            document=lambda: bag.document(REVIEW),
            ledger=_ledger(bag),
            attached=lambda sha256: b"".join(bag.document(f"data/statements/files/{sha256}")),
            used=lambda one: used(bag, one),
        )

    def _outline(self) -> Review:
        try:
            return from_document({**self.head, **{key: [] for key in LISTS}})
        except RecursionError as exc:
            raise Malformed("review document: one of its values is too deep") from exc

    def rows(self) -> Iterator[Part]:
        """The devices of the review, in their order, as a store keeps them.

        Raises:
            Malformed: Observations or results are there of a device that is not, or in another order.
        """
        left = {key: deque(self._places[key]) for key in ("observations", "results")}
        for place in self._places["devices"]:
            lists = {
                key: self._text(some.popleft()) if some and some[0].device == place.device else "[]"
                for key, some in left.items()
            }
            yield Part(device=place.device, record=self._text(place), **lists)
        for key, some in left.items():
            if some:
                raise Malformed(
                    f"review document: {key} of {clip(some[0].device)} are not in the order of devices"
                )

    def _text(self, place: _Place) -> str:
        self._file.seek(place.offset)
        return self._file.read(place.length).decode("utf-8", "surrogatepass")


class _Place(NamedTuple):
    """Where the file has what is said of a device."""

    device: str
    offset: int
    length: int


def _group(entry: tuple[str, Any]) -> tuple[str, str | None]:
    """What belongs together in a row: entries of one list about one device."""
    key, value = entry
    return key, str(_of(value, "id" if key == "devices" else "device")) if key in LISTS else None


def _of(value: Any, key: str) -> Any:
    if not isinstance(value, dict):
        raise Malformed(f"review document: an object is expected, not {clip(value)}")
    return value.get(key)


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
