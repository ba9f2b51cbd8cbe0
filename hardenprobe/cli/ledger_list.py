"""What `exception list` and `statement list` share."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any, TypeVar

import click

from hardenprobe.cli import options
from hardenprobe.cli.opening import opened
from hardenprobe.decisions.entry import Entry
from hardenprobe.decisions.inputs import LONGEST
from hardenprobe.judging.completeness import INCOMPLETE
from hardenprobe.reports.text import visible
from hardenprobe.store import ledger
from hardenprobe.store.store import Store

T = TypeVar("T")


def show(
    store_url: str | None,
    read: Callable[[Iterable[Entry]], tuple[T, ...]],
    told: Callable[[T, str], tuple[str, ...]],
    kinds: tuple[str, ...],
    *,
    history: bool,
    as_json: bool,
    learn: Callable[[Store, Sequence[T]], Mapping[str, Mapping[str, Any]]] | None = None,
) -> int:
    """Print what the ledger holds of one kind of thing, or every entry about it.

    Args:
        told: What to print of a thing on a day: a headline, and the lines under it.
        learn: Looks up in the store what else is known of the things, by id; for the JSON.
    """
    with opened(store_url) as kept:
        book = ledger.Ledger(kept)
        fault = book.fault(files=True)
        entries = [one for one in book.entries() if one.kind in kinds]
        found: list[Any] = list(entries if history else read(entries))
        known = learn(kept, found) if learn and not history else {}
    today = datetime.now(UTC).date().isoformat()
    if as_json:
        states = [{} if history else {"state": one.state(today), **known.get(one.id, {})} for one in found]
        rows = [{**asdict(one), **state} for one, state in zip(found, states, strict=True)]
        options.write_json(rows, "-")
    elif not found:
        click.echo(f"no {kinds[0]} in this store", err=True)
    else:
        for one in found:
            _block(_entry(one) if history else told(one, today))
    if fault:
        click.echo(f"{fault}; none of its exceptions and statements is applied", err=True)
        return INCOMPLETE
    return 0


def _block(lines: tuple[str, ...]) -> None:
    """Print a headline, and the rest under it, as wide as the terminal."""
    width = shutil.get_terminal_size().columns
    for at, line in enumerate(lines):
        indent = "  " if at else ""
        wrapped = textwrap.wrap(
            visible(line, LONGEST),
            width,
            initial_indent=indent,
            subsequent_indent="  ",
            break_on_hyphens=False,
        )
        click.echo("\n".join(wrapped))


def _entry(one: Entry) -> tuple[str, ...]:
    said = (
        f"{key}: {len(value) if isinstance(value, list) else value}"
        for key, value in one.body.items()
        if value is not None
    )
    return f"{one.number}  {one.at}  {one.kind} {one.subject}  by {one.operator}", *said
