"""`hardenprobe report`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from hardenprobe.cli import options


@click.command("report")
@click.argument("review_name", metavar="REVIEW")
@click.option(
    "--format", "kind", default="html", show_default=True, metavar="html|json|csv", help="What to write."
)
@click.option("-o", "--output", required=True, metavar="FILE|-", help="Where to; - for standard output.")
@options.store
def command(review_name: str, kind: str, output: str, store_url: str | None) -> int:
    """Write a stored review as a page, a table or a document.

    REVIEW is an id, a unique beginning of one, or `latest`.
    """
    from hardenprobe.cli.opening import opened
    from hardenprobe.errors import UsageError
    from hardenprobe.reports import FORMATS

    write = FORMATS[kind]
    with opened(store_url) as kept:
        review = kept.load(review_name)
    if output == "-":
        write(review, sys.stdout.buffer)
        return 0
    try:
        with Path(output).open("wb") as out:
            write(review, out)
    except OSError as exc:
        raise UsageError(f"-o {output}: {exc.strerror}") from exc
    click.echo(f"wrote {output}", err=True)
    return 0
