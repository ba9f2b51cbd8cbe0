"""`hardenprobe report`."""

from __future__ import annotations

import click

from hardenprobe.cli import options


@click.command("report")
@click.argument("review_name", metavar="REVIEW")
@click.option(
    "--format",
    "kind",
    default="html",
    show_default=True,
    metavar="html|pdf|csv|worksheet|tickets|icalendar|oscal|junit|openmetrics|json",
    help="What to write.",
)
@click.option("-o", "--output", required=True, metavar="FILE|-", help="Where to; - for standard output.")
@click.option("--as-of", "day", metavar="DATE",
              help="What was known on a day, such as 2026-03-01: by the newest scan of the scope until then.")  # fmt: skip
@options.store
def command(review_name: str, kind: str, output: str, day: str | None, store_url: str | None) -> int:
    """Write a stored review as a page, on paper, as tables, or for other programs.

    REVIEW is an id, a unique beginning of one, or `latest`. `html` is one page that works offline, `pdf` the same on
    paper, `csv` a row for each result, `worksheet` a spreadsheet for the technician who makes the changes, `tickets` a row
    for each open finding, `icalendar` due dates and ending risk acceptances, `oscal` assessment results, `junit` test results for a pipeline, `openmetrics` counts for a monitoring system, `json` everything.
    """
    from hardenprobe.cli import output_files
    from hardenprobe.cli.opening import opened
    from hardenprobe.reports import FORMATS
    from hardenprobe.reports.source import of_store

    write = FORMATS[kind]
    with opened(store_url) as kept:
        source = of_store(kept, review_name, day)
        with output_files.opened(output, "-o") as out:
            write(source, out)
    if output != "-":
        click.echo(f"wrote {output}", err=True)
    return 0
