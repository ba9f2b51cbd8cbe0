"""`hardenprobe demo`: the whole job on virtual devices."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hardenprobe.cli import options

if TYPE_CHECKING:
    from hardenprobe.demo_lab.process import RunningLab
    from hardenprobe.model import Review
    from hardenprobe.store.store import Store


@click.command("demo")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("hardenprobe-demo"),
    show_default=True,
    help="Folder for report, evidence and store.",
)
@options.details
@options.checks_from
def command(output: Path, details: bool, checks_from: tuple[Path, ...]) -> int:
    """Start the lab, scan it, show the findings, write report and evidence.

    Everything happens on this machine's loopback network, 127.77.0.0/24. The exit status is 1, because there are open findings.
    """
    from hardenprobe.cli import running
    from hardenprobe.demo_lab.process import BASELINE, INVENTORY, running_lab
    from hardenprobe.demo_lab.scan_lab import CONTACT
    from hardenprobe.errors import UsageError
    from hardenprobe.judging.completeness import exit_status
    from hardenprobe.reports import FORMATS
    from hardenprobe.reports.source import of_store
    from hardenprobe.scanning import inputs
    from hardenprobe.scanning.request import ScanRequest, absolute, pinned
    from hardenprobe.store import input_files, opening
    from hardenprobe.store.ledger import Ledger

    try:
        output.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise UsageError(f"-o {output}: {exc.strerror}") from exc
    with running_lab(INVENTORY) as lab, opening.opened(str(output / "store.db")) as kept:
        if lab.port_offset:
            click.echo(f"standard ports are taken or not permitted: port offset {lab.port_offset}", err=True)
        request = ScanRequest(
            targets=pinned(["127.77.0.0/24"]),
            inventory=absolute(INVENTORY),
            baseline=str(BASELINE),
            trust_anchors=(str(lab.ca_file),),
            system_anchors=False,
            port_offset=lab.port_offset,
            plugins=False,
            checks_from=tuple(str(path.absolute()) for path in checks_from),
        )
        asked, rules = request.prepare()
        told = replace(
            asked.plan.scope, contacts=(CONTACT,)
        )  # without a contact there is no anonymous FTP sign-in
        job = replace(asked, plan=replace(asked.plan, scope=told))
        rules = replace(rules, decisions=Ledger(kept).decisions())
        found = kept.save(running.run(job, rules))
        input_files.keep(kept, inputs.of_job(job))
        printed = sum(lab.counters()["raw_print_bytes"].values())
        running.show(
            found, None, shown=running.ReviewPresentation(details=details, store=str(output / "store.db"))
        )
        _evidence(found, kept, lab, output / "evidence.zip")
        stored = of_store(kept, found.head.id)  # which counts the reviews before, too
        for kind, name in (("html", "report.html"), ("csv", "findings.csv"), ("json", "review.json")):
            with (output / name).open("wb") as out:
                FORMATS[kind](stored, out)
    off = {device.asset_tag for device in job.inventory.devices if device.lab is None}
    click.echo(f"raw print ports of the lab received {printed} bytes", err=True)
    click.echo(f"wrote {output / 'report.html'}, and beside it:", err=True)
    click.echo("  findings.csv, review.json, store.db", err=True)
    click.echo("  evidence.zip, not signed: see `hardenprobe evidence pack --help`", err=True)
    click.echo(f"check the evidence: hardenprobe evidence verify {output / 'evidence.zip'}", err=True)
    missed = ", ".join(m.asset_tag for m in found.coverage.listed_not_seen if m.asset_tag in off)
    if missed:
        click.echo(
            f"{missed} are switched off in the lab; in your own network a scan that misses them ends with 3",
            err=True,
        )
    return exit_status(found, rules.baseline, expected_missing=off)


def _evidence(found: Review, kept: Store, lab: RunningLab, path: Path) -> None:
    """Pack the review; its scan of the whole lab is the self-test too."""
    from hardenprobe.evidence import pack, self_test, source
    from hardenprobe.evidence.source import Wanted

    if not found.head.interrupted:
        self_test.keep(kept, self_test.of_demo(found, lab))
    told = self_test.told(kept, found.head.versions["hardenprobe"])
    pack.pack(source.of(kept, found.head.id), Wanted(self_test=told), path)
