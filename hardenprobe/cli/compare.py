"""`hardenprobe compare`."""

from __future__ import annotations

import click

from hardenprobe.cli import options


@click.command("compare")
@click.argument("old", metavar="[OLD", required=False)
@click.argument("new", metavar="NEW]", required=False)
@click.option("--device", "devices", metavar="DEVICE", multiple=True,
              help="Only this device: its asset tag, name, address or id. It repeats.")  # fmt: skip
@options.baseline("Whose days for remediation hold; without it, those of each device's own.")
@options.store
@click.option("--json", "json_to", metavar="FILE|-", help="Write it as JSON; - for standard output.")
def command(
    old: str | None,
    new: str | None,
    devices: tuple[str, ...],
    baseline_name: str | None,
    store_url: str | None,
    json_to: str | None,
) -> int:
    """Say what changed between two reviews and why, how long each finding is open, and which facts differ.

    OLD and NEW are ids, unique beginnings of one, or `latest`. Without them the newest scan is compared with the newest one
    before it of the same scope, targets, ports, baselines, test level and vantage points. Every difference in how the two
    were made is listed. Only a finding that was assessed again and is absent is fixed;
    what was not asked, not reached, filtered, or is no longer required is not. The status is 1 where something is new,
    reopened, worsened, no longer accepted or overdue; else 3 where what was open before was not reassessed; else 0.
    """
    from hardenprobe.baseline import selection
    from hardenprobe.cli import output_files
    from hardenprobe.cli.opening import opened
    from hardenprobe.comparison.comparable import newest_pair
    from hardenprobe.comparison.records import ASKS_FOR_WORK, Kind
    from hardenprobe.comparison.stored import Comparison
    from hardenprobe.errors import UsageError
    from hardenprobe.judging.completeness import INCOMPLETE
    from hardenprobe.plugins import registry

    if old is not None and new is None:
        raise UsageError("name two reviews, or none")
    with opened(store_url) as kept:
        if old is None or new is None:
            old, new = newest_pair(kept)
        rules = () if baseline_name else kept.outline(kept.find(new)).head.baselines
        expected = selection.choose(rules, registry.load(), baseline_name)
        comparison = Comparison(kept, old, new, expected)
        found = comparison.devices(frozenset(devices))
        if json_to is None:
            from rich.console import Console

            from hardenprobe.reports import comparison_screen

            comparison_screen.show(comparison, found, Console())
        else:
            from hardenprobe.reports import comparison_json

            with output_files.opened(json_to, "--json") as out:
                comparison_json.write(comparison, found, out)
    totals = comparison.totals
    if devices and not sum(totals.devices.values()):
        raise UsageError(f"neither review holds a device called {' or '.join(devices)}")
    if totals.overdue or any(totals.kinds[kind] for kind in ASKS_FOR_WORK):
        return 1
    return INCOMPLETE if totals.kinds[Kind.NOT_REASSESSED] else 0
