"""`hardenprobe reviews`."""

from __future__ import annotations

import json
from dataclasses import asdict

import click

from hardenprobe.cli import options


@click.command("reviews")
@options.store
@click.option("--json", "as_json", is_flag=True, help="Write the list as JSON.")
def command(store_url: str | None, as_json: bool) -> int:
    """List what is stored, newest first."""
    from hardenprobe.cli.opening import opened
    from hardenprobe.journal import Journal

    with opened(store_url) as kept:
        found = kept.reviews()
        unfinished = Journal(kept).unfinished()
    if as_json:
        click.echo(json.dumps([asdict(one) for one in found], indent=1))
        return 0
    for scan in unfinished:
        state = "still running" if scan.running else f"`hardenprobe scan --resume {scan.id}` goes on"
        click.echo(
            f"unfinished: {scan.id}  scope {scan.scope}  {scan.devices} devices so far; {state}", err=True
        )
    if not found:
        click.echo("no review yet; `hardenprobe scan` makes one", err=True)
    for one in found:
        chain = "" if one.intact else "  changed, or a review before it is gone"
        again = f"  recheck of {one.rechecks}" if one.rechecks else ""
        click.echo(
            f"{one.id}  {one.started}  scope {one.scope}  {one.devices} devices  {one.findings} findings{again}{chain}"
        )
    return 0
