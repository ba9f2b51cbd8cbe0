"""What `exception list` and `statement list` share."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any, TypeVar

import click

from hardenprobe import ledger
from hardenprobe.cli.opening import opened
from hardenprobe.ledger import Entry
from hardenprobe.reports.text import visible
from hardenprobe.review import INCOMPLETE

T = TypeVar("T")


def show(
    store_url: str | None,
    read: Callable[[Iterable[Entry]], tuple[T, ...]],
    line: Callable[[T, str], str],
    kinds: tuple[str, str],
    *,
    history: bool,
    as_json: bool,
) -> int:
    """Print what the ledger holds of one kind of thing, or every entry about it."""
    with opened(store_url) as kept:
        book = ledger.Ledger(kept)
        fault = book.fault(files=True)
        entries = [one for one in book.entries() if one.kind in kinds]
    today = datetime.now(UTC).date().isoformat()
    found: list[Any] = list(entries if history else read(entries))
    if as_json:
        states = [{} if history else {"state": one.state(today)} for one in found]
        rows = [{**asdict(one), **state} for one, state in zip(found, states, strict=True)]
        click.echo(json.dumps(rows, indent=1, ensure_ascii=True))
    elif not found:
        click.echo(f"no {kinds[0]} in this store", err=True)
    else:
        for one in found:
            click.echo(visible(_entry(one) if history else line(one, today), 2000))
    if fault:
        click.echo(f"{fault}; none of its exceptions and statements is applied", err=True)
        return INCOMPLETE
    return 0


def _entry(one: Entry) -> str:
    said = "; ".join(
        f"{key}: {len(value) if isinstance(value, list) else value}"
        for key, value in one.body.items()
        if value is not None
    )
    return f"{one.number}  {one.at}  {one.kind} {one.subject}  by {one.operator}  {said}"
