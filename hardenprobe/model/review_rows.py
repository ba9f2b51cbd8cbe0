"""A review whose devices lie in a file: whoever goes through its rows holds a few of them, who asks for a field gets all."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Sized
from dataclasses import replace
from typing import Any, Generic, TypeVar, overload

from hardenprobe.model.document import to_document
from hardenprobe.model.observation import Observation
from hardenprobe.model.review import Review
from hardenprobe.model.rows import Part, read_device, read_observations, read_results, split
from hardenprobe.model.scratch import Scratch

T = TypeVar("T")
S = TypeVar("S", bound=Sized)


class RowFile:
    """The rows of a review's devices, in their order.

    Args:
        texts: Where they are put aside.
    """

    def __init__(self, texts: Scratch) -> None:
        self._texts = texts
        self._rows: list[tuple[str, int]] = []  # id, and the first of three texts

    def add(self, part: Part) -> None:
        """Put the next device aside."""
        self._rows.append((part.device, self._texts.add(part.record)))
        self._texts.add(part.observations)
        self._texts.add(part.results)

    def __len__(self) -> int:
        return len(self._rows)

    def __iter__(self) -> Iterator[Part]:
        for device, at in self._rows:
            record, observations, results = (self._texts[at + n] for n in range(3))
            yield Part(device=device, record=record, observations=observations, results=results)


def review_of(outline: Review, rows: RowFile) -> Review:
    """A review of devices that lie in a file; each of its long fields is read when somebody asks for it, and then held."""

    def observations() -> dict[str, tuple[Observation[Any], ...]]:
        return {part.device: tuple(read_observations(part.observations)) for part in rows}

    return replace(
        outline,
        devices=_Sequence(rows, lambda: tuple(read_device(part.record) for part in rows)),
        results=_Sequence(rows, lambda: tuple(r for part in rows for r in read_results(part.results))),
        observations=_Mapping(rows, observations),
    )


def rows_of(review: Review) -> Iterable[Part]:
    """The rows of a review's devices; of one in memory they are written now."""
    rows = {id(getattr(one, "rows", one)) for one in (review.devices, review.results, review.observations)}
    if len(rows) == 1 and isinstance(review.devices, _Sequence):
        return review.devices.rows
    return split(to_document(replace(review, what_first=(), statements=())))


class _Later(Generic[S]):
    """Something that is read from rows when it is asked for the first time."""

    def __init__(self, rows: RowFile, read: Callable[[], S]) -> None:
        self.rows = rows
        self._read = read
        self._held: list[S] = []

    @property
    def held(self) -> S:
        if not self._held:
            self._held.append(self._read())
        return self._held[0]

    def __len__(self) -> int:
        return len(self.held)

    def __eq__(self, other: object) -> bool:
        return bool(self.held == (other.held if isinstance(other, _Later) else other))

    def __hash__(self) -> int:
        return hash(self.held)

    def __reduce__(self) -> tuple[Callable[[Any], Any], tuple[S]]:
        """Another process gets what was read, since it has no such file."""
        return type(self.held), (self.held,)

    def __repr__(self) -> str:
        return repr(self.held)


class _Sequence(_Later[tuple[T, ...]], Sequence[T]):
    @overload
    def __getitem__(self, index: int) -> T: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[T, ...]: ...
    def __getitem__(self, index: int | slice) -> T | tuple[T, ...]:
        return self.held[index]

    def __iter__(self) -> Iterator[T]:
        return iter(self.held)


class _Mapping(_Later[dict[str, tuple[Observation[Any], ...]]], Mapping[str, tuple[Observation[Any], ...]]):
    def __getitem__(self, device: str) -> tuple[Observation[Any], ...]:
        return self.held[device]

    def __iter__(self) -> Iterator[str]:
        return iter(self.held)
