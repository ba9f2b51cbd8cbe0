"""`hardenprobe plan`."""

from __future__ import annotations

import click

from hardenprobe.cli import options


@click.group("plan")
def command() -> None:
    """Simulate the remediation plan of a stored review. What a scan would send, `scan --dry-run` shows."""


@command.command("show")
@click.argument("review_name", metavar="REVIEW")
@click.option(
    "--until",
    type=click.IntRange(min=0),
    metavar="N",
    help="Carry the plan out to this step; all of it by default.",
)
@click.option("--json", "as_json", is_flag=True, help="Write it as JSON.")
@options.store
def show(review_name: str, until: int | None, as_json: bool, store_url: str | None) -> int:
    """What is open and at risk after each step, who is affected, and which steps lock the administrator out.

    Nothing is changed and nothing is sent: it goes by the stored findings, and by the evidence of use that `usage add` keeps.
    """
    from dataclasses import asdict

    from rich.console import Console

    from hardenprobe.cli.opening import opened, say_latest
    from hardenprobe.reports import plan_screen
    from hardenprobe.reports.plan_simulation import simulate
    from hardenprobe.reports.source import of_store

    with opened(store_url) as kept:
        say_latest(kept, review_name)
        simulation = simulate(of_store(kept, review_name), until)
    if as_json:
        options.write_json({"format": "hardenprobe.plan/1", **asdict(simulation)}, "-")
    else:
        plan_screen.show(simulation, Console())
    return 0
