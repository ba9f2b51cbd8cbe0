"""`hardenprobe reviews`."""

from __future__ import annotations

import time
from dataclasses import asdict

import click

from hardenprobe.cli import options

WATCHED = 1.0  # seconds between two looks


@click.command("reviews")
@options.store
@click.option("--json", "as_json", is_flag=True, help="Write the list as JSON.")
@click.option(
    "--noted",
    metavar="DIGEST",
    help="A digest that this command said earlier: is all that it covered still there?",
)
@click.option("--watch", is_flag=True, help="Show how far the scans in progress are, until they end.")
def command(store_url: str | None, as_json: bool, noted: str | None, watch: bool) -> int:
    """List what is stored, newest first. The status is 3 where a review was changed or is gone.

    The digest that is said at the end covers all reviews. Keep it where the store's keepers cannot reach it: with
    --noted it shows later whether reviews were cut off at the end, which nothing inside a database can show.
    """
    from hardenprobe.cli.opening import opened
    from hardenprobe.judging.completeness import INCOMPLETE
    from hardenprobe.reports.text import counted, visible
    from hardenprobe.store import review_log
    from hardenprobe.store.journal import Journal

    if watch:
        _watch(store_url)
    with opened(store_url) as kept:
        found = kept.reviews()
        links = kept.links()
        fault = review_log.fault(links, noted)
        unfinished = Journal(kept).unfinished()
    broken = [*([fault] if fault else []), *review_log.faults(found)]
    status = INCOMPLETE if broken else 0
    if as_json:
        options.write_json([asdict(one) for one in found], "-")
    else:
        for scan in unfinished:
            state = "still running" if scan.running else f"`hardenprobe scan --resume {scan.id}` goes on"
            click.echo(
                f"unfinished: {scan.id}  scope {scan.scope}  {scan.devices} devices so far; {state}", err=True
            )
        if not found:
            click.echo("no review yet; `hardenprobe scan` makes one", err=True)
        for one in found:
            what = one.gone or f"{counted(one.devices, 'device')}  {counted(one.findings, 'finding')}"
            what += f"  recheck of {one.rechecks}" if one.rechecks else ""
            said = f"  {one.fault}" if one.fault and not one.gone else ""
            click.echo(f"{one.id}  {one.started}  scope {one.scope}  {visible(what + said)}")
    for line in broken:
        click.echo(f"not as it was stored: {visible(line)}", err=True)
    if links and not fault:
        click.echo(
            f"{counted(len(links), 'entry', 'entries')} of the record of reviews; the newest has the digest {links[-1].digest}",
            err=True,
        )
    return status


def _watch(store_url: str | None) -> None:
    """Say how far the scans are that some process is at, each time that they went on."""
    from hardenprobe.cli.opening import opened
    from hardenprobe.errors import HardenprobeError
    from hardenprobe.reports.text import counted, visible
    from hardenprobe.store.journal import Journal
    from hardenprobe.store.running_findings import RunningFindings

    said = ""
    judging: dict[str, RunningFindings | None] = {}
    with opened(store_url) as kept:
        journal = Journal(kept)
        while scans := [one for one in journal.unfinished() if one.running or one.elsewhere]:
            lines = []
            for scan in scans:
                if (begun := journal.begun(scan.id)) is None:
                    continue
                if scan.id not in judging:
                    try:
                        judging[scan.id] = RunningFindings(kept, begun)
                    except HardenprobeError as exc:
                        judging[scan.id] = None
                        click.echo(visible(f"{scan.id}  findings are not counted here: {exc}"), err=True)
                findings = judging[scan.id]
                if findings:
                    findings.update()
                each = []
                for one in journal.progress(scan.id):
                    done, planned = one.devices + one.silent, begun.planned.get(one.vantage)
                    told = f"from {one.vantage} {done:,}" + (f" of {planned:,}" if planned else "")
                    told += f" addresses done, {counted(one.devices, 'device')}"
                    if findings:
                        told += f", {counted(findings.found[one.vantage], 'open finding')} so far"
                    each.append(told)
                lines.append(f"{scan.id}  scope {scan.scope}  {'; '.join(each) or 'nothing finished yet'}")
            if (now := "\n".join(lines)) != said:
                click.echo("\n".join(map(visible, lines)), err=True)
                said = now
            time.sleep(WATCHED)
