"""`hardenprobe scope`."""

from __future__ import annotations

from pathlib import Path

import click

from hardenprobe.cli import options


@click.group("scope")
def command() -> None:
    """Validate a scope file."""


@command.command("lint")
@click.argument("file", type=options.FILE)
@options.plugins
def lint(file: Path, plugins: options.Plugins) -> int:
    """Validate a scope file as `scan` would, and say what it allows.

    The exit status is 2 where it is invalid, or still holds words of the template.
    """
    from dataclasses import asdict

    from hardenprobe.cli import USAGE
    from hardenprobe.errors import ScopeRefused
    from hardenprobe.model.yaml_file import load_yaml
    from hardenprobe.reports.text import visible
    from hardenprobe.scope import scope_file

    checks = plugins.registry().checks
    found = scope_file.load(file, {check.id: check.reach for check in checks.values()})
    ceilings = ", ".join(f"{key} {value:g}" for key, value in asdict(found.gentleness).items() if value)
    said = {
        "networks": f"{', '.join(found.networks.cover())}: {found.networks.count:,} addresses",
        "public": ", ".join(found.public.cover()),
        "excluded": ", ".join(found.exclude.cover()) or "nothing",
        "leased": "; ".join(
            f"{', '.join(o.networks)} of {o.owner}, agreed by {o.agreed_by}" for o in found.leased
        ),
        "until": str(found.until or "no end is named"),
        "window": f"daily, {found.window}" if found.window else "any hour",
        "stop file": str(found.stop_file or "none"),
        "sources": ", ".join(found.sources.cover()) if found.sources else "any",
        "test level": str(found.reach),
        "grants": ", ".join(sorted(found.grants or ())) or "nothing beyond test level ask",
        "gentleness": f"{ceilings}; the rest as the baseline says",
        "contacts": ", ".join(found.contacts) or "none named",
        "abort": ", ".join(found.abort) or "none named",
    }
    if untouched := load_yaml(file).placeholders():
        for fault in untouched:
            click.echo(str(fault), err=True)
        return USAGE
    click.echo(visible(f"scope {found.name}, authorised by {found.authorised_by}", 2000))
    for title, text in said.items():
        if text:
            click.echo(visible(f"{title:<12}{text}", 20000))
    try:
        found.check_now()
    except ScopeRefused as exc:
        click.echo(f"now         no scan may run: {exc}")
    return 0
