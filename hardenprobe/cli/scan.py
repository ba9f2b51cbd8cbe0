"""`hardenprobe scan`."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hardenprobe.cli import options

if TYPE_CHECKING:
    from hardenprobe.plan import Plan

LAB_NETWORK = "127.77.0.0/16"


@click.command("scan")
@click.argument("targets", nargs=-1, required=True, metavar="TARGET...")
@click.option("--inventory", type=options.FILE, help="Devices that should be there (YAML or CSV).")
@click.option("--scope", type=options.FILE, help="What you are authorised to scan; this machine needs none.")
@options.baseline("office-device")
@click.option("--source", multiple=True, metavar="ADDRESS", help="Our own address to ask from; repeatable.")
@click.option(
    "--vantage",
    "vantage_names",
    multiple=True,
    metavar="NAME",
    help="Name of the vantage point; one for each --source.",
)
@click.option(
    "--reach",
    type=click.Choice(["look", "ask", "strain", "alter"]),
    default="ask",
    show_default=True,
    help="How far a probe may go.",
)
@click.option(
    "--ports", metavar="LIST", help="TCP ports to look at instead of the baseline's, such as 21,23,9100-9107."
)
@click.option("--only", multiple=True, metavar="CHECK", help="Only this check; repeatable.")
@click.option("--except", "leave_out", multiple=True, metavar="CHECK", help="Not this check; repeatable.")
@click.option(
    "--trust-anchor", multiple=True, type=options.FILE, help="CA certificates (PEM) to trust; repeatable."
)
@click.option(
    "--secrets",
    "secrets_file",
    type=options.FILE,
    help="SNMPv3 users and communities of the fleet (YAML); they go to confirmed devices of the inventory only.",
)
@click.option(
    "--tls-second-opinion",
    is_flag=True,
    help="Have another implementation find the TLS suites too; over 500 connections a port, needs --reach strain.",
)
@click.option(
    "--capture",
    "capture_to",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write the scan's packets, payloads masked, to this new pcap file; needs the right to capture (Linux).",
)
@options.store
@click.option("--json", "json_to", metavar="FILE|-", help="Write the review as JSON; - for standard output.")
@click.option("--dry-run", "only_plan", is_flag=True, help="Print the plan and send nothing.")
@click.option(
    "--port-offset",
    type=click.IntRange(0, 55535),
    default=0,
    help="Added to every port; for a lab without low ports.",
)
@options.no_plugins
def command(
    targets: Sequence[str],
    inventory: Path | None,
    scope: Path | None,
    baseline_name: str,
    source: Sequence[str],
    vantage_names: Sequence[str],
    reach: str,
    ports: str | None,
    only: Sequence[str],
    leave_out: Sequence[str],
    trust_anchor: Sequence[Path],
    secrets_file: Path | None,
    tls_second_opinion: bool,
    capture_to: Path | None,
    store_url: str | None,
    json_to: str | None,
    only_plan: bool,
    port_offset: int,
    no_plugins: bool,
) -> int:
    """Scan what you are authorised to scan, and judge it.

    TARGET is an address, a name, a block such as 192.0.2.0/24, first-last, or @file. Every address but this machine's
    own needs a scope file.
    """
    from hardenprobe import baseline, capture, credentials, plan, registry, review, store, vantage
    from hardenprobe import inventory as inventories
    from hardenprobe import scope as scopes
    from hardenprobe.cli import dry_run, running
    from hardenprobe.probes.certificates import TrustAnchors
    from hardenprobe.probes.second_opinion import second_opinion_timing
    from hardenprobe.records import Reach

    checks = registry.load(plugins=not no_plugins)
    expected = baseline.load(baseline_name, checks)
    known = inventories.load(inventory) if inventory else inventories.Inventory()
    allowed = scopes.load(scope) if scope else scopes.Scope.loopback()
    secrets = credentials.load(secrets_file) if secrets_file else credentials.Secrets()
    wanted = plan.targets(targets)
    if not wanted:
        raise click.UsageError("no target: the file names none")
    if tls_second_opinion and not Reach(reach).admits(Reach.STRAIN):
        raise click.UsageError(
            "--tls-second-opinion makes hundreds of connections a port; it needs --reach strain"
        )
    tcp_ports = plan.parse_ports(ports) if ports is not None else expected.tcp_ports
    if max((*tcp_ports, *expected.udp_ports), default=0) + port_offset > 65535:
        raise click.UsageError(f"--port-offset {port_offset} shifts a port beyond 65535")
    order = review.Order(
        plan=plan.Plan(
            targets=wanted,
            tcp_ports=tcp_ports,
            udp_ports=expected.udp_ports,
            reach=Reach(reach),
            scope=allowed,
            vantages=vantage.points(source, vantage_names, wanted, allowed),
            checks=checks.select(only, leave_out),
            communities=expected.communities,
            http_paths=expected.http_paths,
            web=expected.web,
            timing=second_opinion_timing(expected.timing) if tls_second_opinion else expected.timing,
            port_offset=port_offset,
            tls_second_opinion=tls_second_opinion,
            secrets=secrets.labels,
        ),
        baseline=expected,
        registry=checks,
        inventory=known,
        anchors=TrustAnchors.load(trust_anchor),
        secrets=secrets,
    )
    plan.check_scope(order.plan, now=not only_plan)
    _warn(order.plan)
    if only_plan:
        click.echo(dry_run.text(order.plan))
        return 0
    # A store that cannot be written is said before the scan, not after it.
    with store.opened(store_url) as kept, contextlib.ExitStack() as stack:
        if capture_to:
            captured = stack.enter_context(capture.opened(capture_to, order.plan.asked.cover()))
            order = replace(order, capture=captured)
        found = kept.save(running.run(order))
    try:
        running.show(found, json_to)
    finally:  # even where it cannot be shown
        for reason in review.incomplete(found, expected.must_determine):
            click.echo(f"incomplete: {reason}", err=True)
        if found.head.capture:
            click.echo(f"{found.head.capture.packets} packets are in {capture_to}", err=True)
        click.echo(
            f"review {found.head.id} is stored; `hardenprobe report {found.head.id} --format html -o FILE`",
            err=True,
        )
    return review.exit_status(found, expected.must_determine)


def _warn(order: Plan) -> None:
    """Loopback needs no scope file, but it can be the mouth of a tunnel."""
    from hardenprobe.addresses import AddressSet

    if order.scope.name == "loopback" and order.asked - AddressSet.of([LAB_NETWORK]):
        click.echo(
            "notice: loopback addresses outside the lab's network could be a tunnel that ends elsewhere",
            err=True,
        )
