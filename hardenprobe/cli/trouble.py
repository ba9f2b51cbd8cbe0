"""What happens on a bug of ours: the traceback goes to a file, and the user learns which."""

from __future__ import annotations

import tempfile
import traceback
from pathlib import Path

import click


def report_bug() -> None:
    """Write the current exception to a file of its own and name it."""
    text = traceback.format_exc()
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="hardenprobe-", suffix=".txt", delete=False, encoding="utf-8"
        ) as out:
            out.write(text)
        where = Path(out.name)
    except OSError:
        click.echo(text, err=True)
        return
    click.echo(f"hardenprobe: this is a bug of ours; what happened is in {where}, please report it", err=True)
