"""`hardenprobe demo`: the whole job on virtual devices."""

from __future__ import annotations

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
    from hardenprobe import (
        baseline_choice,
        decisions,
        inventory,
        plan,
        registry,
        review,
        scope,
        store,
        vantage,
    )
    from hardenprobe.cli import running
    from hardenprobe.demo_lab.process import INVENTORY, running_lab
    from hardenprobe.errors import UsageError
    from hardenprobe.probes.certificates import TrustAnchors
    from hardenprobe.records import Reach
    from hardenprobe.reports import FORMATS

    try:
        output.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise UsageError(f"-o {output}: {exc.strerror}") from exc
    checks = registry.load(plugins=False)
    allowed = scope.Scope.loopback()
    targets = plan.targets(["127.77.0.0/24"])
    listed = inventory.load(INVENTORY)
    expected = baseline_choice.choose(listed.baselines, checks)
    off = {device.asset_tag for device in listed.devices if device.lab is None}
    with running_lab(INVENTORY) as lab, store.opened(str(output / "store.db")) as kept:
        if lab.port_offset:
            click.echo(f"low ports are not for us here: every port is shifted by {lab.port_offset}", err=True)
        order = review.Order(
            plan=plan.Plan(
                targets=targets,
                tcp_ports=expected.tcp_ports,
                udp_ports=expected.udp_ports,
                reach=Reach.ASK,
                scope=allowed,
                vantages=vantage.points((), (), targets, allowed),
                checks=checks.select(),
                communities=expected.communities,
                http_paths=expected.http_paths,
                web=expected.web,
                timing=expected.timing,
                port_offset=lab.port_offset,
            ),
            baseline=expected,
            registry=checks,
            inventory=listed,
            anchors=TrustAnchors.load([lab.ca_file], system=False),
            decisions=decisions.load(kept),
        )
        found = kept.save(running.run(order))
        printed = sum(lab.counters()["raw_print_bytes"].values())
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
    return review.exit_status(found, expected, expected_missing=off)
