"""`hardenprobe report`."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import click

from hardenprobe.cli import options


@click.command("report")
@click.argument("review_name", metavar="REVIEW")
@click.option(
    "--format",
    "kind",
    default="html",
    show_default=True,
    metavar="html|pdf|csv|worksheet|oscal|junit|openmetrics|json",
    help="What to write.",
)
@click.option("-o", "--output", required=True, metavar="FILE|-", help="Where to; - for standard output.")
@options.store
def command(review_name: str, kind: str, output: str, store_url: str | None) -> int:
    """Write a stored review as a page, on paper, as tables, or for other programs.

    REVIEW is an id, a unique beginning of one, or `latest`. `html` is one page that works offline, `pdf` the same on
    paper, `csv` a row for each result, `worksheet` a spreadsheet for the technician who makes the changes, `oscal` assessment
    results, `junit` test results for a pipeline, `openmetrics` counts for a monitoring system, `json` everything.
    """
    from hardenprobe.cli.opening import opened
    from hardenprobe.reports import FORMATS
    from hardenprobe.reports.source import of_store

    write = FORMATS[kind]
    with opened(store_url) as kept:
        source = of_store(kept, review_name)
        if output == "-":
            write(source, sys.stdout.buffer)
            return 0
        with _file(Path(output)) as out:
            write(source, out)
    click.echo(f"wrote {output}", err=True)
    return 0


@contextmanager
def _file(path: Path) -> Iterator[BinaryIO]:
    """Write beside a file and put it in its place when all is well, so that what was there is never lost to half a report.

    Raises:
        UsageError: It cannot be written.
    """
    from hardenprobe.errors import UsageError

    whole = path.resolve()
    part = whole.with_name(f".{whole.name}.part")
    try:
        if whole.exists() and not whole.is_file():  # a pipe or a device is written as it is
            with whole.open("wb") as out:
                yield out
            return
        try:
            with part.open("wb") as out:
                yield out
            part.replace(whole)
        finally:
            part.unlink(missing_ok=True)
    except OSError as exc:
        raise UsageError(f"-o {path}: {exc.strerror}") from exc
