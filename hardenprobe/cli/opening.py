"""Opening the store for a command."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import click

from hardenprobe.store import opening, store


@contextmanager
def opened(url: str | None, *, make: bool = False) -> Iterator[store.Store]:
    """Open the store, and say what came in from spools.

    Args:
        make: Whether what the command does may be the first thing in it; a name that was mistyped makes no new store.

    Raises:
        StoreRefused: It cannot be opened, or is not there.
    """
    with opening.opened(url, make=make) as kept:
        for notice in kept.notices:
            click.echo(f"notice: {notice}", err=True)
        yield kept


def say_latest(kept: store.Store, name: str) -> None:
    """Say which review `latest` names where a newer one could be meant, and why it is not."""
    if name != store.LATEST:
        return
    latest, aside = kept.aside()
    if aside:
        click.echo(
            f"notice: latest is {latest}; {', '.join(aside[:3])} judged it by other baselines, and is meant only by its id",
            err=True,
        )
