"""What `exception` and `statement` share: requests from options or from a file, and the end of what was requested."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import MISSING, dataclass, fields
from pathlib import Path
from typing import Any, Generic, TypeVar

from hardenprobe.cli.opening import opened
from hardenprobe.decisions.entry import Entry
from hardenprobe.decisions.inputs import Endable, InputError, ending
from hardenprobe.errors import UsageError
from hardenprobe.model.yaml_file import Document, Spot, load_yaml, parse
from hardenprobe.store.ledger import Ledger

T = TypeVar("T")


@dataclass(frozen=True)
class Submission(Generic[T]):
    """A request, and where a person wrote it.

    Attributes:
        folder: What the file paths in it are relative to.
    """

    request: T
    folder: Path
    document: Document | None = None
    spot: Spot = ()

    @contextmanager
    def blamed(self) -> Iterator[None]:
        """Report an error with its line or option."""
        try:
            yield
        except InputError as exc:
            if self.document:
                raise self.document.fault((*self.spot, exc.key), f"{exc.key}: {exc.message}") from None
            raise UsageError(f"--{exc.key.replace('_', '-')}: {exc.message}") from None


def from_options(into: type[T], options: Mapping[str, Any]) -> list[Submission[T]]:
    """Make the one request that options state.

    Raises:
        UsageError: An option is missing.
    """
    given = {key: value for key, value in options.items() if value is not None}
    needed = [f.name for f in fields(into) if f.default is MISSING and f.default_factory is MISSING]  # type: ignore[arg-type]
    missing = [f"--{key.replace('_', '-')}" for key in needed if key not in given]
    if missing:
        raise UsageError(
            f"missing {', '.join(missing)}; or write all of it into a file and name that with --from-file"
        )
    return [Submission(into(**given), Path())]


def from_file(shape: type[Any], path: Path, section: str, form: str) -> list[Submission[Any]]:
    """Read the requests of a file.

    Args:
        shape: Record of the whole file; its field `section` holds the requests, and the field before it the format.

    Raises:
        FileInvalid: With file, line and how to fix it.
    """
    document = load_yaml(path)
    marker = fields(shape)[0].name
    if document.data.get(marker) != form:
        raise document.fault((marker,), f"{marker} is {document.data.get(marker)!r}, expected {form!r}")
    whole = parse(document, shape)
    made = [
        Submission(request, path.parent, document, (section, at))
        for at, request in enumerate(getattr(whole, section))
    ]
    if not made:
        raise document.fault((section,), f"{section} is empty; nothing is added")
    return made


def asked(
    into: type[T], options: Mapping[str, Any], path: Path | None, read: Callable[[Path], list[Submission[T]]]
) -> list[Submission[T]]:
    """The requests of a file where one is named, else the one of the options; both at once is refused."""
    if path is None:
        return from_options(into, options)
    given = [f"--{key.replace('_', '-')}" for key, value in options.items() if value is not None]
    if given:
        raise UsageError(f"--from-file says all of it; leave out {', '.join(given)}")
    return read(path)


def end(
    store_url: str | None,
    kind: str,
    read: Callable[[Iterable[Entry]], Iterable[Endable]],
    name: str,
    by: str,
    reason: str,
) -> None:
    """Add to the ledger that something ends.

    Args:
        read: Makes of the ledger's entries what it may be.

    Raises:
        UsageError: There is none of that name, it was ended before, or a word is missing.
    """
    with opened(store_url) as kept:
        book = Ledger(kept)
        with Submission(None, Path()).blamed():
            book.add([ending(kind, read(book.entries()), name, by, reason)])
