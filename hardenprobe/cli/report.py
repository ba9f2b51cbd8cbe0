"""`hardenprobe report`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from hardenprobe.cli import options


@click.command("report")
@click.argument("review_name", metavar="REVIEW")
@click.option(
    "--format",
    "kind",
    default="html",
    show_default=True,
    metavar="text|html|pdf|csv|worksheet|tickets|icalendar|oscal|junit|openmetrics|json",
    help="What to write.",
)
@click.option(
    "-o", "--output", metavar="FILE|-", help="Where to; - for standard output, the default for text."
)
@click.option("--as-of", "day", metavar="DATE",
              help="What was known on a day, such as 2026-03-01: by the newest scan of the scope until then.")  # fmt: skip
@options.details
@click.option(
    "--by",
    type=click.Choice(["owner", "place"]),
    help="Of a worksheet: what each of its sheets is for; owner by default.",
)
@click.option(
    "--bag",
    type=options.FILE,
    help="Of html and pdf: the evidence bag of this review, whose digest they show.",
)
@options.store
def command(
    review_name: str,
    kind: str,
    output: str | None,
    day: str | None,
    details: bool,
    by: str | None,
    bag: Path | None,
    store_url: str | None,
) -> int:
    """Write a stored review as text, as a page, on paper, as tables, or for other programs.

    REVIEW is an id, a unique beginning of one, or `latest`. `text` is what the scan printed, `html` one page that works
    offline, `pdf` the same on paper, `csv` a row for each result, `worksheet` a spreadsheet for the technician who makes the
    changes, `tickets` a row for each open finding, `icalendar` due dates and ending risk acceptances, `oscal` assessment
    results, `junit` test results for a pipeline, `openmetrics` counts for a monitoring system, `json` everything.
    """
    from hardenprobe.cli import output_files
    from hardenprobe.cli.opening import opened, say_latest
    from hardenprobe.reports import FORMATS
    from hardenprobe.reports.source import of_store

    write = FORMATS[kind]
    if output is None and kind != "text":
        raise click.UsageError(f"-o FILE says where the format {kind} is written to; - is standard output")
    if details and kind != "text":
        raise click.UsageError("--details belongs to --format text; the other formats hold everything")
    if by and kind != "worksheet":
        raise click.UsageError("--by belongs to --format worksheet")
    if bag and kind not in ("html", "pdf"):
        raise click.UsageError("--bag belongs to --format html and pdf")
    given: dict[str, Any] = {}
    if kind == "text":
        given = {"details": details, "store": store_url}
    elif by:
        given = {"by": by}
    output = output or "-"
    with opened(store_url) as kept:
        say_latest(kept, review_name)
        source = of_store(kept, review_name, day)
        if bag:
            source = replace(source, bag=_digest_of(bag, source.digest))
        with output_files.opened(output, "-o") as out:
            write(source, out, **given)
    if output != "-":
        click.echo(f"wrote {output}", err=True)
    return 0


def _digest_of(bag: Path, review: str | None) -> str:
    """The digest of a bag that is complete and valid, and of this very review."""
    from hardenprobe.errors import UsageError
    from hardenprobe.evidence.verify import verify

    found = verify(bag)
    if found.faults:
        raise UsageError(f"--bag {bag} is invalid; see `hardenprobe evidence verify {bag}`")
    if found.about.get("Review-Digest") != review:
        raise UsageError(f"--bag {bag} is the bag of another review, or a redacted one")
    return found.digest
