"""`hardenprobe checks`."""

from __future__ import annotations

import click

from hardenprobe.cli import options


@click.group("checks")
def command() -> None:
    """List the checks, or read one."""


@command.command("list")
@options.plugins
def show_all(plugins: options.Plugins) -> int:
    """List the checks with reach and title."""
    from hardenprobe import registry

    found = plugins.registry()
    width = max(map(len, found.checks))
    for check_id, check in sorted(found.checks.items()):
        origin = found.origins[check_id]
        whose = "" if origin == registry.BUILT_IN else f"  (from {origin})"
        click.echo(f"{check_id:{width}}  {check.reach or 'none':6}  {check.title}{whose}")
    for broken in found.broken:
        click.echo(str(broken), err=True)
    return 0


@command.command("show")
@click.argument("check_id", metavar="CHECK")
@options.plugins
def show(check_id: str, plugins: options.Plugins) -> int:
    """Read one check: why it matters, how it is asked, what its results mean, how to mend it."""
    from hardenprobe.cli.handbook import page

    found = plugins.registry()
    click.echo(page(found.get(check_id), found.origins[check_id]))
    return 0
