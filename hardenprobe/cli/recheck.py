"""`hardenprobe recheck`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import click

from hardenprobe.cli import options

STANDS, UNDETERMINED, GONE = 1, 3, 0


@click.command("recheck")
@click.argument("review_name", metavar="REVIEW")
@click.argument("findings", nargs=-1, metavar="[FINDING]...")
@click.option("--inventory", type=options.FILE, help="Where the devices are by now (YAML or CSV).")
@click.option(
    "--scope",
    type=options.FILE,
    help="What you are authorised to scan; without it, what the review was allowed still holds.",
)
@click.option(
    "--source",
    multiple=True,
    metavar="ADDRESS",
    help="Address of this machine to scan from, instead of the review's.",
)
@options.vantages
@click.option(
    "--reach",
    type=click.Choice(["look", "ask", "strain", "alter"]),
    help="The highest test level, instead of the review's.",
)
@options.trust_anchors
@click.option(
    "--secrets",
    "secrets_file",
    type=options.FILE,
    help="SNMPv3 users and communities of the fleet (YAML); they go to confirmed devices of --inventory only.",
)
@options.store
@click.option(
    "--json", "json_to", metavar="FILE|-", help="Write before and after as JSON; - for standard output."
)
@click.option("--dry-run", "only_plan", is_flag=True, help="Print the plan and send nothing.")
@click.option(
    "--port-offset",
    type=click.IntRange(0, 55535),
    help="Added to every port, instead of the review's; for a lab.",
)
@options.plugins
def command(
    review_name: str,
    findings: Sequence[str],
    inventory: Path | None,
    scope: Path | None,
    source: Sequence[str],
    vantage_names: Sequence[str],
    reach: str | None,
    trust_anchor: Sequence[Path],
    secrets_file: Path | None,
    store_url: str | None,
    json_to: str | None,
    only_plan: bool,
    port_offset: int | None,
    plugins: options.Plugins,
) -> int:
    """Assess only some findings again, and show before and after side by side.

    REVIEW is an id, a unique beginning of one, or `latest`; FINDING the same of a finding's id. Without one, all open
    findings are assessed again. The status is 0 where all are fixed, 1 where one is open, 3 where one was not reassessed.
    """
    from rich.console import Console

    from hardenprobe.cli import dry_run, running
    from hardenprobe.cli.opening import opened
    from hardenprobe.planning import plan
    from hardenprobe.recheck import recheck
    from hardenprobe.reports import before_after_screen
    from hardenprobe.scanning.request import absolute, begin
    from hardenprobe.store.ledger import Ledger
    from hardenprobe.store.persistence import Keeper

    with opened(store_url) as kept:
        wanted = recheck.RecheckRequest(
            review=review_name,
            findings=tuple(findings),
            inventory=absolute(inventory),
            scope=absolute(scope),
            sources=tuple(source),
            vantages=tuple(vantage_names),
            reach=reach,
            trust_anchors=tuple(str(path.absolute()) for path in trust_anchor),
            secrets_file=absolute(secrets_file),
            port_offset=port_offset,
            plugins=plugins.installed,
            checks_from=tuple(str(path.absolute()) for path in plugins.folders),
        )
        it = recheck.prepare(kept, wanted)
        plan.check_scope(it.job.plan, now=not only_plan)
        if only_plan:
            click.echo(dry_run.text(it.job, it.rules))
            return GONE
        rules = replace(it.rules, decisions=Ledger(kept).decisions())
        with Keeper(kept, begin(it.request, it.job)) as keeper:
            found = running.run(it.job, rules, keeper)
            whole = not found.head.interrupted and not found.coverage.unfinished
            stored = keeper.finish(found, complete=whole)
        done = it.compare(stored.review)
        if json_to is not None:
            document = done.document(it.picked, stored.review)
            options.write_json(document, json_to)
        if json_to != "-":
            before_after_screen.show(done.findings, done.costs, stored.review, done.notices, Console())
    if keeper.failed:
        click.echo(f"hardenprobe: {keeper.failed}; what was seen is kept", err=True)
    if stored.stored:
        name = stored.review.head.id
        click.echo(f"recheck {name} is stored; `hardenprobe report {name} --format html -o FILE`", err=True)
    if stored.goes_on:
        click.echo(f"`hardenprobe scan --resume {stored.goes_on}` goes on", err=True)
    standings = {one.standing for one in done.findings}
    if "unknown" in standings or not stored.stored:
        return UNDETERMINED
    return STANDS if "stands" in standings else GONE
