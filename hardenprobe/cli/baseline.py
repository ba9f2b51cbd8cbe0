"""`hardenprobe baseline`."""

from __future__ import annotations

from typing import Any

import click

from hardenprobe.cli import options
from hardenprobe.cli.folding import folded


@click.group("baseline")
def command() -> None:
    """List the baselines, read or validate one."""


@command.command("list")
def show_all() -> int:
    """List the baselines that come with hardenprobe."""
    from hardenprobe.baseline import baseline

    for name, title in baseline.titles().items():
        click.echo(f"{name}  {title}")
    return 0


@command.command("show")
@click.argument("name", metavar="NAME|FILE")
@options.plugins
def show(name: str, plugins: options.Plugins) -> int:
    """Show what a baseline decides, resolved, and where each value came from."""
    from pathlib import Path

    from hardenprobe.baseline import baseline, provenance
    from hardenprobe.reports.text import visible

    checks = plugins.registry()
    found = baseline.load(name, checks)
    chain = [found.document.file, *found.extends]
    lines = [found.name, f"SHA-256 {found.hash}"]
    if found.extends:
        lines.append(f"extends {', which extends '.join(Path(file).stem for file in chain[1:])}")
    lines += [f"{one.key}: {_text(one.value)}  ({one.where})" for one in provenance.decided(found)]
    undecided = sorted(check for check, settings in found.settings.items() if not vars(settings))
    lines.append(f"selected, with nothing to decide: {', '.join(undecided)}")
    left_out = sorted(set(checks.checks) - set(found.settings))
    lines.append(f"not selected, since `expect` has no settings for it: {', '.join(left_out) or 'none'}")
    for line in lines:
        click.echo(folded(visible(line, limit=4000)))
    return 0


def _text(value: Any) -> str:
    import json
    from dataclasses import asdict

    return json.dumps(value, ensure_ascii=False, default=lambda one: asdict(one))


@command.command("lint")
@click.argument("name", metavar="NAME|FILE")
@options.plugins
def lint(name: str, plugins: options.Plugins) -> int:
    """Find misspelt ids, values out of range and contradictions in a baseline.

    The exit status is 0 when there is nothing to fix, and 2 when there is.
    """
    from hardenprobe.baseline import baseline
    from hardenprobe.baseline import lint as baseline_lint
    from hardenprobe.cli import USAGE

    faults = baseline_lint.lint(baseline.find(name), plugins.registry())
    for fault in faults:
        click.echo(str(fault))
    if not faults:
        click.echo(f"{name}: nothing to fix")
    return USAGE if faults else 0
