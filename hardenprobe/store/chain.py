"""Entries each of which names the digest of the one before, so that none can be changed or taken out unnoticed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Protocol

from hardenprobe.model.document import digest


class Link(Protocol):
    """An entry of a chain, a record whose fields are plain JSON types."""

    @property
    def number(self) -> int: ...
    @property
    def digest(self) -> str: ...
    @property
    def previous_digest(self) -> str | None: ...


def following(last: Link | None, **fields: Any) -> dict[str, Any]:
    """The fields of the entry after another, or of the first: its own with number and digests."""
    plain = {
        "number": last.number + 1 if last else 1,
        "previous_digest": last.digest if last else None,
        **fields,
    }
    return {**plain, "digest": digest(plain)}


def first_broken(links: Iterable[Link]) -> int | None:
    """The number of the first entry that does not fit its digest or the entry before it, None where all do."""
    before = None
    for at, link in enumerate(links, 1):
        plain = {key: value for key, value in vars(link).items() if key != "digest"}
        if (link.number, link.previous_digest, link.digest) != (at, before, digest(plain)):
            return at
        before = link.digest
    return None
