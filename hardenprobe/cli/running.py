"""What `scan` and `demo` share: run a job under a progress bar, keep it, show it."""

from __future__ import annotations

import asyncio
import gc
from dataclasses import dataclass

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from hardenprobe.cli import options
from hardenprobe.judging.completeness import INCOMPLETE, exit_status, incomplete
from hardenprobe.judging.counts import Tally, summary
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.library import scan_and_judge
from hardenprobe.model import Review, document
from hardenprobe.reports import terminal
from hardenprobe.scanning.job import Progress as ScanProgress
from hardenprobe.scanning.job import ScanJob
from hardenprobe.store.persistence import Keeper


@dataclass(frozen=True, kw_only=True)
class ReviewPresentation:
    """How a review is shown.

    Attributes:
        details: All of it, not only the first screen.
        store: Where it is kept, for the command to run next; None for the usual place.
    """

    details: bool = False
    store: str | None = None


def scan_and_keep(
    job: ScanJob,
    rules: JudgingRules,
    keeper: Keeper,
    json_to: str | None,
    shown: ReviewPresentation = ReviewPresentation(),
) -> int:
    """Scan, keep and show, and say how the command ends."""
    gc.freeze()  # what was imported stays; among all of it, cycles that connections leave would be looked for too rarely
    with keeper:
        found = run(job, rules, keeper)
        whole = not found.head.interrupted and not found.coverage.unfinished
        kept = keeper.finish(found, complete=whole)
        brief, tally = summary(kept.review, rules.baseline)
    try:
        if json_to is not None:  # the document is written from one piece
            options.write_json(document.to_document(kept.review), json_to)
        if json_to != "-":
            terminal.show(brief, Console(), tally, details=shown.details, store=shown.store)
    finally:  # even where it cannot be shown
        for reason in incomplete(brief, tally=tally):
            click.echo(f"incomplete: {reason}", err=True)
        if job.capture and found.head.capture:
            click.echo(f"{found.head.capture.packets} packets are in {job.capture.path}", err=True)
        if keeper.failed:
            click.echo(f"hardenprobe: {keeper.failed}; what was seen is kept", err=True)
        if kept.stored:
            name = kept.review.head.id
            click.echo(f"review {name} is stored", err=True)
        if kept.goes_on:
            click.echo(f"`hardenprobe scan --resume {kept.goes_on}` goes on", err=True)
    if not kept.stored:
        return INCOMPLETE
    return exit_status(brief, tally=tally)


def run(job: ScanJob, rules: JudgingRules, keeper: Keeper | None = None) -> Review:
    """Scan and judge; progress goes to standard error, and only where that is a terminal."""
    try:
        return _run(job, rules, keeper, Console(stderr=True))
    except asyncio.CancelledError:  # Ctrl-C a second time
        raise KeyboardInterrupt from None


def _run(job: ScanJob, rules: JudgingRules, keeper: Keeper | None, console: Console) -> Review:
    if not console.is_terminal:
        return asyncio.run(scan_and_judge(job, rules, keeper))
    columns = (
        TextColumn("scanning"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("addresses, {task.fields[answered]} answering, {task.fields[observations]} observations"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=console, transient=True) as bar:
        total = job.plan.visits
        task = bar.add_task("scan", total=total, answered=0, observations=0)

        def show_progress(step: ScanProgress) -> None:
            bar.update(task, completed=step.done, answered=step.answered, observations=step.observations)

        return asyncio.run(scan_and_judge(job, rules, keeper, show_progress))


def show(
    found: Review,
    json_to: str | None,
    tally: Tally | None = None,
    shown: ReviewPresentation = ReviewPresentation(),
) -> None:
    """Show a review on standard output, or write its document there or to a file.

    Args:
        tally: The counts, where the review is given without its results; only for the screen.
    """
    if json_to is None:
        terminal.show(found, Console(), tally, details=shown.details, store=shown.store)
        return
    options.write_json(document.to_document(found), json_to)
    if json_to != "-":
        terminal.show(found, Console(), details=shown.details, store=shown.store)
