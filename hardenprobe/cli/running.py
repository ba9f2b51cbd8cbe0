"""What `scan` and `demo` share: run an order under a progress bar, keep it, show it."""

from __future__ import annotations

import asyncio
import json

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from hardenprobe import codec
from hardenprobe.cli import options
from hardenprobe.records import Review
from hardenprobe.reports import terminal
from hardenprobe.review import Order, scan
from hardenprobe.review import Progress as Step


def run(order: Order) -> Review:
    """Scan and judge; progress goes to standard error, and only where that is a terminal."""
    try:
        return _run(order, Console(stderr=True))
    except asyncio.CancelledError:  # Ctrl-C a second time
        raise KeyboardInterrupt from None


def _run(order: Order, console: Console) -> Review:
    if not console.is_terminal:
        return asyncio.run(scan(order))
    columns = (
        TextColumn("scanning"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("addresses, {task.fields[answered]} answering, {task.fields[findings]} findings so far"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=console, transient=True) as bar:
        total = order.plan.count * len(order.plan.vantages)
        task = bar.add_task("scan", total=total, answered=0, findings=0)

        def told(step: Step) -> None:
            bar.update(task, completed=step.done, answered=step.answered, findings=step.findings)

        return asyncio.run(scan(order, told))


def show(review: Review, json_to: str | None) -> None:
    """Show a review on standard output, or write its document there or to a file."""
    if json_to is None:
        terminal.show(review, Console())
        return
    options.write_json(json.dumps(codec.to_document(review), indent=1, ensure_ascii=False), json_to)
    if json_to != "-":
        terminal.show(review, Console())
