"""`hardenprobe judge`."""

from __future__ import annotations

import click

from hardenprobe.cli import options


@click.command("judge")
@click.argument("review_name", metavar="REVIEW")
@options.baseline("office-device")
@options.store
@click.option("--json", "json_to", metavar="FILE|-", help="Write the review as JSON; - for standard output.")
@options.no_plugins
def command(
    review_name: str, baseline_name: str, store_url: str | None, json_to: str | None, no_plugins: bool
) -> int:
    """Judge stored observations again; touches no network, and the original stays.

    REVIEW is an id, a unique beginning of one, or `latest`.
    """
    from hardenprobe import baseline, decisions, registry, review
    from hardenprobe.cli import running
    from hardenprobe.cli.opening import opened

    checks = registry.load(plugins=not no_plugins)
    expected = baseline.load(baseline_name, checks)
    with opened(store_url) as kept:
        decided = decisions.load(kept)
        found = kept.save(review.again(kept.load(review_name), expected, checks, decided))
    running.show(found, json_to)
    return review.exit_status(found, expected.must_determine)
