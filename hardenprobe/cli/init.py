"""`hardenprobe init`."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("init")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
def command(folder: Path) -> int:
    """Write a commented scope, inventory and baseline to start from.

    FOLDER is made where there is none. Nothing that is there is overwritten.
    """
    from datetime import UTC, datetime

    from hardenprobe.devkit import starter_files

    for path in starter_files.write(folder, datetime.now(UTC).date()):
        click.echo(f"wrote {path}")
    click.echo(
        "Write your own networks, names and devices into them, and then:\n"
        f"  hardenprobe scope lint {folder / 'scope.yaml'}\n"
        f"  hardenprobe baseline lint {folder / 'baseline.yaml'}\n"
        f"  hardenprobe scan NETWORK --scope {folder / 'scope.yaml'} --inventory {folder / 'inventory.yaml'} --dry-run",
        err=True,
    )
    return 0
