"""A bag's review, taken into another store, so that it is shown, compared and judged there."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from hardenprobe.errors import UsageError
from hardenprobe.evidence import container
from hardenprobe.evidence.bag_source import Document
from hardenprobe.evidence.container import BagRefused
from hardenprobe.evidence.source import Source
from hardenprobe.evidence.verify import Verdict, verify_opened
from hardenprobe.model import InputFile
from hardenprobe.store import input_files
from hardenprobe.store.store import Store


@contextmanager
def opened(path: Path) -> Iterator[tuple[Document, Source, Verdict]]:
    """Open a bag whose observations are to be used.

    Raises:
        UsageError: It is invalid up to its signature, or redacted.
    """
    with container.opened(path) as bag:
        verdict = verify_opened(bag)
        if verdict.faults:
            raise BagRefused(f"{path} is invalid; see `hardenprobe evidence verify {path}`")
        if "Full-Bag-SHA-512" in verdict.about:
            raise BagRefused(f"{path} is redacted and holds no observations; name the full bag")
        document = Document(bag)
        yield document, document.source(verdict.about.get("Review-Digest")), verdict


def import_review(path: Path, store: Store) -> str:
    """Store a bag's review, as it is but for its place in the chain; its decisions stay in the bag.

    Returns:
        Its id.

    Raises:
        UsageError: The bag is invalid, or the store holds a review of this id.
        StoreRefused: The store cannot be written.
    """
    with opened(path) as (document, source, verdict):
        name = source.outline.head.id
        if any(one.id == name and not one.gone for one in store.reviews()):
            raise UsageError(f"store {store.shown} holds review {name} already")
        head = {**document.head, "review": {**document.head["review"], "imported": verdict.digest}}
        files = [
            InputFile(used=one, data=source.used(one))
            for one in source.outline.head.inputs
            if _there(source, one)
        ]
        store.save_parts(name, document.rows(), lambda: head)
        input_files.keep(store, files)
    return name


def _there(source: Source, one: Any) -> bool:
    try:
        source.used(one)
    except UsageError:
        return False
    return True
