"""`hardenprobe store`."""

from __future__ import annotations

import sys

import click

from hardenprobe.cli import options


@click.group("store")
def command() -> None:
    """Maintain the store of reviews."""


@command.command("prune")
@click.argument("names", nargs=-1, metavar="[REVIEW]...")
@click.option("--before", metavar="DAY", help="Every review that began before this day, such as 2025-01-01.")
@click.option("--by", required=True, metavar="PERSON", help="Who removes them.")
@click.option("--reason", required=True, metavar="TEXT", help="Why, such as the rule of retention.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@options.store
def prune(
    names: tuple[str, ...], before: str | None, by: str, reason: str, yes: bool, store_url: str | None
) -> int:
    """Remove reviews permanently.

    Their digests stay, with who, when and why, so that the chain of reviews can still be verified. Decisions,
    attestations and packed bags of evidence are not touched. Later reviews no longer show that a finding was present in a
    removed one.
    """
    from pathlib import Path

    from hardenprobe.cli import requests
    from hardenprobe.cli.opening import opened
    from hardenprobe.decisions.inputs import day, sentence
    from hardenprobe.errors import UsageError
    from hardenprobe.reports.text import counted
    from hardenprobe.store.journal import Journal

    if not names and before is None:
        raise click.UsageError("say which reviews: name them, or give --before DAY")
    with requests.Submission(None, Path()).blamed():
        first = day("before", before).isoformat() if before else ""
        who, why = sentence("by", by), sentence("reason", reason)
    with opened(store_url) as kept:
        chosen = [kept.find(name) for name in names]
        chosen = list(dict.fromkeys([*chosen, *kept.begun_before(first)]))
        if not chosen:
            click.echo(f"no review began before {first}; nothing was taken out", err=True)
            return 0
        for scan in Journal(kept).unfinished():
            if scan.id in chosen:
                raise UsageError(
                    f"scan {scan.id} is not finished; `hardenprobe scan --resume {scan.id}` goes on with it first"
                )
        if not yes:
            _ask(f"take out {counted(len(chosen), 'review')} for good: {', '.join(chosen)}?")
        kept.take_out(chosen, who, why)
    for name in chosen:
        click.echo(f"took out {name}")
    return 0


@command.command("upgrade")
@options.store
def upgrade(store_url: str | None) -> int:
    """Bring a store that an earlier version made up to date, all of it or nothing.

    Copy it to a safe place first: the version that made it cannot open it afterwards. No digest changes.
    """
    from hardenprobe.store.schema import FORMAT
    from hardenprobe.store.upgrade import upgrade

    before = upgrade(store_url)
    click.echo(f"it is up to date: {FORMAT}" if before == FORMAT else f"upgraded from {before} to {FORMAT}")
    return 0


@command.command("copy")
@click.argument("source", metavar="FROM")
@click.argument("target", metavar="TO")
def copy(source: str, target: str) -> int:
    """Copy a store to another file or database: from SQLite to PostgreSQL, say.

    FROM and TO are files or database URLs; TO holds nothing yet. Reviews keep their digests and their chain, decisions their
    ledger. Scans in progress stay where they are. The status is 3 where something is not as it was once stored.
    """
    from hardenprobe.cli.opening import opened
    from hardenprobe.judging.completeness import INCOMPLETE
    from hardenprobe.reports.text import counted, visible
    from hardenprobe.store.copying import copy

    with opened(source) as old, opened(target, make=True) as new:
        done = copy(old, new)
    click.echo(f"copied {counted(done.reviews, 'review')}")
    for scan in done.unfinished:
        click.echo(f"notice: scan {scan} is not finished and stays in {visible(old.shown)}", err=True)
    for fault in done.faults:
        click.echo(f"not as it was stored: {visible(fault)}", err=True)
    return INCOMPLETE if done.faults else 0


def _ask(question: str) -> None:
    if not sys.stdin.isatty():
        raise click.UsageError("no terminal to confirm on; --yes removes them without confirmation")
    click.confirm(question, abort=True, err=True)
