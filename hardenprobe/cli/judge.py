"""`hardenprobe judge`."""

from __future__ import annotations

import click

from hardenprobe.cli import options


@click.command("judge")
@click.argument("review_name", metavar="REVIEW")
@options.baseline("Judge every device by it; without it, each by what is chosen for it again.")
@options.store
@click.option("--only", multiple=True, metavar="CHECK", help="Judge by this check alone; repeatable.")
@click.option("--json", "json_to", metavar="FILE|-", help="Write the review as JSON; - for standard output.")
@options.plugins
def command(
    review_name: str,
    baseline_name: str | None,
    store_url: str | None,
    only: tuple[str, ...],
    json_to: str | None,
    plugins: options.Plugins,
) -> int:
    """Judge stored observations again; touches no network, and the original stays.

    REVIEW is an id, a unique beginning of one, or `latest`.
    """
    from hardenprobe.baseline import selection
    from hardenprobe.cli import running
    from hardenprobe.cli.opening import opened
    from hardenprobe.judging.completeness import exit_status
    from hardenprobe.model import Review
    from hardenprobe.store.ledger import Ledger
    from hardenprobe.store.rejudge import rejudge

    checks = plugins.registry()

    def choose(old: Review) -> selection.Choice:
        return selection.choose(() if baseline_name else old.head.baselines, checks, baseline_name)

    with opened(store_url) as kept:
        again = rejudge(kept, review_name, choose, checks, Ledger(kept).decisions(), only=only)
        if json_to is None:
            running.show(again.review, None, again.tally)
        else:  # the document is written from one piece
            running.show(kept.load(again.review.head.id), json_to)
    return exit_status(again.review, tally=again.tally)
