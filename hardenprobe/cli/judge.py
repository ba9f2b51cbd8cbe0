"""`hardenprobe judge`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from hardenprobe.cli import options

if TYPE_CHECKING:
    from hardenprobe.plugins.registry import Registry


@click.command("judge")
@click.argument("review_name", metavar="[REVIEW]", required=False)
@click.option(
    "--bag",
    type=options.FILE,
    help="Judge the observations of this bag, by the baselines in it or --baseline; nothing is stored.",
)
@options.baseline("Judge every device by it; without it, each by what is chosen for it again.")
@options.store
@click.option("--only", multiple=True, metavar="CHECK", help="Judge by this check alone; repeatable.")
@options.details
@click.option("--json", "json_to", metavar="FILE|-", help="Write the review as JSON; - for standard output.")
@options.plugins
def command(
    review_name: str | None,
    bag: Path | None,
    baseline_name: str | None,
    store_url: str | None,
    only: tuple[str, ...],
    details: bool,
    json_to: str | None,
    plugins: options.Plugins,
) -> int:
    """Judge stored observations again; touches no network, and the original stays.

    REVIEW is an id, a unique beginning of one, or `latest`. With --bag, another person judges a bag's observations: the same
    bag, rules and version give the same results, byte for byte.
    """
    from hardenprobe.baseline import selection
    from hardenprobe.cli import running
    from hardenprobe.cli.opening import opened, say_latest
    from hardenprobe.judging.completeness import exit_status
    from hardenprobe.model import Review
    from hardenprobe.store.ledger import Ledger
    from hardenprobe.store.rejudge import rejudge

    checks = plugins.registry()
    if bag and not review_name:
        return _bag(bag, baseline_name, checks, json_to)
    if bag or not review_name:
        raise click.UsageError("give REVIEW, or --bag FILE")
    shown = running.ReviewPresentation(details=details, store=store_url)

    def choose(old: Review) -> selection.Choice:
        return selection.choose(() if baseline_name else old.head.baselines, checks, baseline_name)

    with opened(store_url) as kept:
        say_latest(kept, review_name)
        again = rejudge(kept, review_name, choose, checks, Ledger(kept).decisions(), only=only)
        if json_to is None:
            running.show(again.review, None, again.tally, shown)
        else:  # the document is written from one piece
            running.show(kept.load(again.review.head.id), json_to, shown=shown)
        head = again.review.head
        click.echo(f"review {head.id} is stored, judged by {head.versions['baseline']}", err=True)
        if head.id in kept.judged_otherwise():
            latest, _ = kept.aside()
            click.echo(
                f"notice: latest stays {latest}, since {head.judged_from} was judged by other baselines",
                err=True,
            )
    return exit_status(again.review, tally=again.tally)


def _bag(file: Path, baseline_name: str | None, checks: Registry, json_to: str | None) -> int:
    """Judge the observations of a bag again."""
    from contextlib import ExitStack

    from hardenprobe.baseline import selection
    from hardenprobe.cli import running
    from hardenprobe.evidence import importing, reperformance
    from hardenprobe.judging.completeness import exit_status

    with ExitStack() as stack:
        _, source, _ = stack.enter_context(importing.opened(file))
        if baseline_name:
            expected: selection.Expectations = selection.choose((), checks, baseline_name)
        else:
            expected = stack.enter_context(reperformance.kept_rules(source, checks))
        found = reperformance.judge(source, expected, checks)
    running.show(found, json_to)
    return exit_status(found, expected)
