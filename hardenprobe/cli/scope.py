"""`hardenprobe scope`."""

from __future__ import annotations

from pathlib import Path

import click

from hardenprobe.cli import options


@click.group("scope")
def command() -> None:
    """Look a scope file over before it is used."""


@command.command("lint")
@click.argument("file", type=options.FILE)
def lint(file: Path) -> int:
    """Read a scope file as `scan` would, and say what it allows."""
    from hardenprobe import scope

    found = scope.load(file)
    click.echo(f"scope {found.name}, authorised by {found.authorised_by}")
    click.echo(f"networks  {', '.join(found.networks.cover())}: {found.networks.count:,} addresses")
    click.echo(f"excluded  {', '.join(found.exclude.cover()) or 'nothing'}")
    click.echo(f"reach     {found.reach}")
    return 0
