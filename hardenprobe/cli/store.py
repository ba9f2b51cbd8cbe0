"""`hardenprobe store`."""

from __future__ import annotations

import click

from hardenprobe.cli import options


@click.group("store")
def command() -> None:
    """Look after the store of reviews."""


@command.command("prune")
@click.argument("names", nargs=-1, metavar="[REVIEW]...")
@click.option("--before", metavar="DAY", help="Every review that began before this day, such as 2025-01-01.")
@click.option("--by", required=True, metavar="PERSON", help="Who takes them out.")
@click.option("--reason", required=True, metavar="TEXT", help="Why, such as the rule of retention.")
@options.store
def prune(names: tuple[str, ...], before: str | None, by: str, reason: str, store_url: str | None) -> int:
    """Take reviews out for good. Their digests stay, with who, when and why, so that the chain can still be verified."""
    from hardenprobe.cli import requests
    from hardenprobe.cli.opening import opened
    from hardenprobe.people import day, sentence

    if not names and before is None:
        raise click.UsageError("say which reviews: name them, or give --before DAY")
    with requests.Asked(None, requests.Path()).blamed():
        first = day("before", before).isoformat() if before else ""
        who, why = sentence("by", by), sentence("reason", reason)
    with opened(store_url) as kept:
        chosen = [kept.find(name) for name in names]
        if before:
            chosen += [one.id for one in kept.reviews() if not one.gone and one.started[:10] < first]
        done = kept.take_out(chosen, who, why)
    for name in done:
        click.echo(f"took out {name}")
    if not done:
        click.echo("no review began before that day", err=True)
    return 0
