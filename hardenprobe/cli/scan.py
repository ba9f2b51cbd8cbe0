"""`hardenprobe scan`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from hardenprobe.cli import options

if TYPE_CHECKING:
    from hardenprobe.scanning.job import ScanJob

LAB_NETWORK = "127.77.0.0/16"


@click.command("scan")
@click.argument("targets", nargs=-1, metavar="TARGET...")
@click.option("--inventory", type=options.FILE, help="Expected devices (YAML or CSV).")
@click.option("--scope", type=options.FILE, help="What you are authorised to scan; this machine needs none.")
@options.baseline("For devices that no rule of the inventory fits.")
@click.option(
    "--source",
    multiple=True,
    metavar="ADDRESS|edges",
    help="Address of this machine to scan from; edges: each one just inside or outside a declared list; repeatable.",
)
@options.vantages
@click.option(
    "--reach",
    type=click.Choice(["look", "ask", "strain", "alter"]),
    default="ask",
    show_default=True,
    help="The highest test level.",
)
@click.option(
    "--ports", metavar="LIST", help="TCP ports to scan instead of the baseline's, such as 21,23,9100-9107."
)
@click.option("--only", multiple=True, metavar="CHECK", help="Only this check; repeatable.")
@click.option("--except", "leave_out", multiple=True, metavar="CHECK", help="Not this check; repeatable.")
@options.trust_anchors
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
@click.option(
    "--packet-headers/--no-packet-headers",
    default=True,
    help="Keep the headers of the packets that decide a port's state, where this process may capture (Linux); by default on.",
)
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Let workers scan from their vantage points: the scheduler, such as tls://192.0.2.10:8786.",
)
@click.option(
    "--certificates",
    type=click.Path(path_type=Path, file_okay=False),
    help="The folder with the certificate for --cluster.",
)
@options.store
@options.details
@click.option("--json", "json_to", metavar="FILE|-", help="Write the review as JSON; - for standard output.")
@click.option(
    "--resume",
    metavar="SCAN",
    help="Continue an interrupted scan: its id, the beginning of one, or latest.",
)
@click.option("--operator", metavar="NAME", help="Who scans, kept beside the account that runs this.")
@click.option("--dry-run", "only_plan", is_flag=True, help="Print the plan and send nothing.")
@click.option(
    "--port-offset",
    type=click.IntRange(0, 55535),
    default=0,
    help="Added to every port; for a lab without low ports.",
)
@options.plugins
def command(
    targets: Sequence[str],
    inventory: Path | None,
    scope: Path | None,
    baseline_name: str | None,
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
    packet_headers: bool,
    cluster: str | None,
    certificates: Path | None,
    store_url: str | None,
    details: bool,
    json_to: str | None,
    resume: str | None,
    operator: str | None,
    only_plan: bool,
    port_offset: int,
    plugins: options.Plugins,
) -> int:
    """Scan what you are authorised to scan, and judge it.

    TARGET is an address, a name, a block such as 192.0.2.0/24, first-last, or @file. Every address but this machine's
    own needs a scope file.
    """
    from hardenprobe.cli import dry_run, running
    from hardenprobe.cli.opening import opened
    from hardenprobe.cluster.attach import attached
    from hardenprobe.cluster.connection import check_address
    from hardenprobe.planning import plan
    from hardenprobe.scanning.request import ScanRequest, absolute, begin, captured, named, pinned
    from hardenprobe.store.ledger import Ledger
    from hardenprobe.store.persistence import Keeper
    from hardenprobe.store.resume import take_up

    shown = running.ReviewPresentation(details=details, store=store_url)
    if resume:
        _nothing_else()
        with opened(store_url) as kept:
            taken, job, rules = take_up(kept, resume)
            plan.check_scope(job.plan)
            job = attached(job, ScanRequest.of(taken.begun.request))
            rules = replace(rules, decisions=Ledger(kept).decisions())
            with captured(job, taken) as job:
                return running.scan_and_keep(job, rules, Keeper(kept, taken.begun, taken), json_to, shown)
    if not targets:
        raise click.UsageError(
            "no TARGET; name an address, a block such as 192.0.2.0/24, first-last, or @file"
        )
    if (cluster is None) != (certificates is None):
        raise click.UsageError("--cluster and --certificates go together")
    request = ScanRequest(
        targets=pinned(targets),
        inventory=absolute(inventory),
        scope=absolute(scope),
        baseline=named(baseline_name),
        sources=tuple(source),
        vantages=tuple(vantage_names),
        reach=reach,
        ports=ports,
        only=tuple(only),
        leave_out=tuple(leave_out),
        trust_anchors=tuple(str(path.absolute()) for path in trust_anchor),
        secrets_file=absolute(secrets_file),
        tls_second_opinion=tls_second_opinion,
        operator=" ".join(operator.split()) or None if operator else None,
        capture=absolute(capture_to),
        packet_headers=packet_headers,
        cluster=check_address(cluster) if cluster else None,
        certificates=absolute(certificates),
        port_offset=port_offset,
        plugins=plugins.installed,
        checks_from=tuple(str(path.absolute()) for path in plugins.folders),
    )
    job, rules = request.prepare()
    job = attached(job, request)
    plan.check_scope(job.plan, now=not only_plan)
    _warn(job, inventory)
    if only_plan:
        click.echo(dry_run.text(job, rules))
        return 0
    # Packets that cannot be captured and a store that cannot be written are said before the scan, not after it.
    with captured(job) as job, opened(store_url, make=True) as kept:
        rules = replace(rules, decisions=Ledger(kept).decisions())
        return running.scan_and_keep(job, rules, Keeper(kept, begin(request, job)), json_to, shown)


def _nothing_else() -> None:
    """A scan goes on as it was begun: no option can change what it does.

    Raises:
        UsageError: Another option was given.
    """
    context = click.get_current_context()
    given = {
        name for name in context.params if context.get_parameter_source(name) is ParameterSource.COMMANDLINE
    }
    if extra := given - {"resume", "store_url", "details", "json_to"}:
        names = {p.name: p.opts[0] for p in context.command.params}
        raise click.UsageError(
            f"--resume goes on as the scan was begun; leave out {', '.join(sorted(names[e] for e in extra))}"
        )


def _warn(job: ScanJob, inventory: Path | None) -> None:
    """Loopback needs no scope file, but it can be the mouth of a tunnel; and a source may not reach every target."""
    from hardenprobe.addresses.sets import AddressSet
    from hardenprobe.demo_lab.declarations import addresses
    from hardenprobe.planning import vantage

    order = job.plan
    notices = [*job.notices, *vantage.notices(order.vantages, order.targets)]
    simulated = AddressSet.of([LAB_NETWORK, *(addresses(inventory) if inventory else ())])
    if order.scope.name == "loopback" and order.asked - simulated:
        notices.append("loopback addresses outside the lab's network could be a tunnel that ends elsewhere")
    for notice in notices:
        click.echo(f"notice: {notice}", err=True)
