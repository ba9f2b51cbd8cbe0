"""`hardenprobe next`."""

from __future__ import annotations

from dataclasses import replace

import click

from hardenprobe.cli import options


@click.command("next")
@click.argument("review_name", metavar="[REVIEW]", default="latest")
@options.store
@click.option("--json", "json_to", metavar="FILE|-", help="Write the review as JSON; - for standard output.")
@click.option("--dry-run", "only_plan", is_flag=True, help="Print the plan and send nothing.")
def command(review_name: str, store_url: str | None, json_to: str | None, only_plan: bool) -> int:
    """Scan again as last time: the same targets, files and options as the scan of a review, the newest by default.

    Names are looked up anew, and files are read as they are now; what differs from last time is said first. A packet capture
    is not made again, since it would need a new file. The status is that of `scan`.
    """
    from hardenprobe.cli import dry_run, running
    from hardenprobe.cli.opening import opened
    from hardenprobe.cluster.attach import attached
    from hardenprobe.planning import plan
    from hardenprobe.scanning.request import begin
    from hardenprobe.store.ledger import Ledger
    from hardenprobe.store.next_scan import prepare
    from hardenprobe.store.persistence import Keeper

    with opened(store_url) as kept:
        again = prepare(kept, review_name)
        job = attached(again.job, again.request)
        plan.check_scope(job.plan, now=not only_plan)
        click.echo(f"as review {again.review}, which began at {again.started}", err=True)
        for line in again.differences or ("nothing differs from last time",):
            click.echo(f"notice: {line}", err=True)
        if only_plan:
            click.echo(dry_run.text(job, again.rules))
            return 0
        rules = replace(again.rules, decisions=Ledger(kept).decisions())
        keeper = Keeper(kept, begin(again.request, job))
        return running.scan_and_keep(job, rules, keeper, json_to, running.ReviewPresentation(store=store_url))
