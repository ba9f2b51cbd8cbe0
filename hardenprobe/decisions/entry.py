"""An entry of the ledger: a decision or a declaration."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from hardenprobe.errors import StoreRefused


@dataclass(frozen=True, kw_only=True)
class Draft:
    """An entry that is not kept yet.

    Attributes:
        subject: Id of the thing that it is about; where it ends in "-", the next free number is put behind it.
        file: Bytes to keep beside it; the body names them by their SHA-256.
    """

    kind: str
    subject: str
    body: Mapping[str, Any]
    file: bytes | None = field(default=None, repr=False)


@dataclass(frozen=True, kw_only=True)
class Entry:
    """An entry as kept.

    Attributes:
        number: From 1, without a gap.
        at: UTC, when it was added.
        operator: Who ran the command that added it, as the system knows.
        previous_digest: That of the entry before; None for the first.
    """

    number: int
    at: str
    kind: str
    subject: str
    operator: str
    body: Mapping[str, Any]
    digest: str
    previous_digest: str | None


@contextmanager
def understood() -> Iterator[None]:
    """Say of an entry whose body does not have its fields that it is of another version, or changed.

    Raises:
        StoreRefused: It is so.
    """
    try:
        yield
    except (TypeError, KeyError, ValueError, AttributeError) as exc:
        raise StoreRefused(
            f"the ledger holds an entry of another version, or one that was changed ({type(exc).__name__})"
        ) from exc


MOST_BYTES = 10 * 1024 * 1024


"""Of one attached file: a scanned page or a photograph, not a disk image."""
