"""Opening the store for a command."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import click

from hardenprobe import store


@contextmanager
def opened(url: str | None) -> Iterator[store.Store]:
    """Open the store, and say what came in from spools."""
    with store.opened(url) as kept:
        for notice in kept.notices:
            click.echo(f"notice: {notice}", err=True)
        yield kept
