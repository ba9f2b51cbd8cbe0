"""`hardenprobe baseline`."""

from __future__ import annotations

import click


@click.group("baseline")
def command() -> None:
    """List the baselines, or read one."""


@command.command("list")
def show_all() -> int:
    """List the baselines that come with hardenprobe."""
    from hardenprobe import baseline

    for name, title in baseline.titles().items():
        click.echo(f"{name}  {title}")
    return 0


@command.command("show")
@click.argument("name", metavar="NAME|FILE")
def show(name: str) -> int:
    """Show what a baseline expects, resolved."""
    from dataclasses import asdict

    from hardenprobe import baseline, registry
    from hardenprobe.reports.text import ports_text

    found = baseline.load(name, registry.load())
    click.echo(f"{found.name}  {found.title}\ndated {found.dated}, SHA-256 {found.hash}\n")
    click.echo("rests on\n" + "\n".join(f"  {source}" for source in found.file.sources))
    click.echo(f"\nTCP ports  {ports_text(found.tcp_ports)}\nUDP ports  {ports_text(found.udp_ports)}")
    click.echo(
        f"SNMP defaults tried  {', '.join(found.communities)}\nHTTP paths  {', '.join(found.http_paths)}\n"
        f"settings pages  {', '.join(p.path for p in found.web.settings_pages) or 'none'}\n"
        f"scan service paths  {', '.join(found.web.scan) or 'none'}\n"
        f"IPP paths  {', '.join(found.web.ipp) or 'none'}\n"
    )
    for check_id, settings in sorted(found.settings.items()):
        values = asdict(settings)
        shown = ", ".join(f"{key}: {value}" for key, value in values.items()) or "nothing to decide"
        click.echo(f"{check_id}\n  {shown}")
    return 0
