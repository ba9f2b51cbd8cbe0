"""`hardenprobe checks`."""

from __future__ import annotations

from typing import Any

import click

from hardenprobe.cli import options


@click.group("checks")
def command() -> None:
    """List the checks, or read one."""


@command.command("list")
@options.no_plugins
def show_all(no_plugins: bool) -> int:
    """List the checks with reach and title."""
    from hardenprobe import registry

    found = registry.load(plugins=not no_plugins)
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
@options.no_plugins
def show(check_id: str, no_plugins: bool) -> int:
    """Read one check: what it means, why it matters, how to mend it."""
    from hardenprobe import registry

    found = registry.load(plugins=not no_plugins)
    click.echo(_page(found.get(check_id), found.origins[check_id]))
    return 0


def _page(check: Any, origin: str) -> str:
    """A check as a page of a handbook."""
    from hardenprobe.cli import CAUTION
    from hardenprobe.scoring import score, severity

    remedy = check.remedy
    lines = [f"{check.id}  (version {check.version}, from {origin})", check.title, ""]
    for heading in ("Why it matters", "Fails when", "Passes when", "Unknown when", "Reach"):
        lines += [heading, *_wrapped(check.sections[heading]), ""]
    lines.append("Score (CCSS base, rated as the NVD rates CVSS v2 scores)")
    for name, vector in check.vectors.items():
        value = score(vector).base
        lines.append(f"  {value} {severity(value)}  {vector}{f'  ({name})' if name else ''}")
    lines += ["", f"Remedy: {remedy.title}"]
    for number, step in enumerate(remedy.steps, 1):
        lines += _wrapped(step, f"  {number}. ")
    for label, text in (
        ("Needs first", remedy.needs_first),
        ("Stops working", remedy.stops_working),
        ("Ask", remedy.ask),
        ("Undo", remedy.undo),
        ("Locking oneself out", remedy.lock_out),
        ("Confirm", remedy.confirm),
    ):
        lines += ["", label, *_wrapped(text)]
    lines += ["", "Caution", *_wrapped(CAUTION), "", "Controls (NIST SP 800-53 Rev. 5)"]
    lines += [f"  {', '.join(check.controls)}", "", "Sources", *(f"  {r}" for r in check.references)]
    return "\n".join(lines)


def _wrapped(text: str, first: str = "  ") -> list[str]:
    import textwrap

    return textwrap.wrap(text, 96, initial_indent=first, subsequent_indent=" " * len(first))
