"""`hardenprobe listen`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from hardenprobe.cli import options


@click.command("listen")
@click.argument("captures", metavar="CAPTURE...", nargs=-1, required=True, type=options.FILE)
@click.option(
    "--inventory", type=options.FILE, required=True, help="The devices (YAML or CSV); others are counted."
)
@options.place
@click.option("--scope", type=options.FILE, help="Only devices inside of its networks.")
@options.baseline("For devices that no rule of the inventory fits.")
@options.trust_anchors
@options.store
@options.details
@click.option("--json", "json_to", metavar="FILE|-", help="Write the review as JSON; - for standard output.")
@click.option("--operator", metavar="NAME", help="Who reads it, kept beside the account that runs this.")
@click.option(
    "--port-offset",
    type=click.IntRange(0, 55535),
    default=0,
    help="Taken from every port; for a lab without low ports.",
)
@options.plugins
def command(
    captures: tuple[Path, ...],
    inventory: Path,
    place: str,
    scope: Path | None,
    baseline_name: str | None,
    trust_anchor: tuple[Path, ...],
    store_url: str | None,
    details: bool,
    json_to: str | None,
    operator: str | None,
    port_offset: int,
    plugins: options.Plugins,
) -> int:
    """Review devices by captured traffic alone: pcap or pcapng, plain or packed by gzip. Nothing is sent.

    Several captures are read in the order in which they are named. Passwords, names and documents are masked as they are read, and
    of addresses that are no device only the number is kept. Traffic shows what is there, hardly ever that something is off:
    nothing passes, and what was not seen is not determined.

    Capture and keep traffic only where you are authorised to: who talks to whom is personal data.
    """
    from hardenprobe.cli import running
    from hardenprobe.cli.opening import opened
    from hardenprobe.judging.completeness import exit_status
    from hardenprobe.judging.counts import summary
    from hardenprobe.judging.rules import JudgingRules
    from hardenprobe.library import listen_and_judge
    from hardenprobe.listening.run import ListenJob
    from hardenprobe.store import input_files
    from hardenprobe.store.known_devices import known_devices
    from hardenprobe.store.ledger import Ledger

    job = ListenJob.prepare(
        captures,
        place,
        inventory,
        scope=scope,
        baseline=baseline_name,
        trust_anchors=trust_anchor,
        registry=plugins.registry(),
        stated_operator=" ".join(operator.split()) or None if operator else None,
        port_offset=port_offset,
    )
    with opened(store_url, make=True) as kept:
        job = replace(job, past=known_devices(kept, job.scope_name))
        rules = JudgingRules(baseline=job.expected, registry=job.registry, decisions=Ledger(kept).decisions())
        found, inputs = listen_and_judge(job, rules)
        input_files.keep(kept, inputs)
        review = kept.save(found)
        brief, tally = summary(review, rules.baseline)
    if json_to is None:
        running.show(brief, None, tally, running.ReviewPresentation(details=details, store=store_url))
    else:  # the document is written from one piece
        running.show(review, json_to, shown=running.ReviewPresentation(details=details, store=store_url))
    click.echo(f"review {review.head.id} is stored", err=True)
    return exit_status(brief, tally=tally)
