"""`hardenprobe demo`: the whole job on virtual devices."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click


@click.command("demo")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("hardenprobe-demo"),
    show_default=True,
    help="Folder for the report and the store.",
)
def command(output: Path) -> int:
    """Start the lab, scan it, show the findings, write the report.

    Everything happens on this machine's loopback network, 127.77.0.0/24. The exit status is 1: findings stand.
    """
    from hardenprobe import decisions, review, store
    from hardenprobe.cli import running
    from hardenprobe.demo_lab.process import INVENTORY, running_lab
    from hardenprobe.errors import UsageError
    from hardenprobe.reports import FORMATS
    from hardenprobe.request import Request, absolute, pinned

    try:
        output.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise UsageError(f"-o {output}: {exc.strerror}") from exc
    with running_lab(INVENTORY) as lab, store.opened(str(output / "store.db")) as kept:
        if lab.port_offset:
            click.echo(f"low ports are not for us here: every port is shifted by {lab.port_offset}", err=True)
        request = Request(
            targets=pinned(["127.77.0.0/24"]),
            inventory=absolute(INVENTORY),
            trust_anchors=(str(lab.ca_file),),
            system_anchors=False,
            port_offset=lab.port_offset,
            plugins=False,
        )
        order = replace(request.order(), decisions=decisions.load(kept))
        found = kept.save(running.run(order))
        printed = sum(lab.counters()["raw_print_bytes"].values())
    off = {device.asset_tag for device in order.inventory.devices if device.lab is None}
    running.show(found, None)
    for kind, name in (("html", "report.html"), ("csv", "findings.csv"), ("json", "review.json")):
        with (output / name).open("wb") as out:
            FORMATS[kind](found, out)
    click.echo(f"raw print ports of the lab received {printed} bytes", err=True)
    click.echo(f"wrote {output / 'report.html'}, findings.csv, review.json and store.db beside it", err=True)
    missed = ", ".join(m.asset_tag for m in found.coverage.listed_not_seen if m.asset_tag in off)
    if missed:
        click.echo(
            f"{missed} are switched off in the lab; in your own network a scan that misses them ends with 3",
            err=True,
        )
    return review.exit_status(found, order.baseline, expected_missing=off)
