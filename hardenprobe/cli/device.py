"""`hardenprobe device`."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hardenprobe.cli import options

if TYPE_CHECKING:
    from hardenprobe.decisions.entry import Draft, Entry
    from hardenprobe.reports.sheet import Sheet
    from hardenprobe.store.store import Store

REFUSED = 1


@click.group("device")
def command() -> None:
    """Accept a device into the fleet, retire it, read its history.

    DEVICE is an id or the unique beginning of one, an asset tag, a name, or an address of the newest review. Nothing is
    sent to the device; decisions are added to the ledger of the store, and nothing is removed from it.
    """


@command.command("accept")
@click.argument("device", metavar="DEVICE")
@click.option(
    "--review",
    "review_name",
    metavar="REVIEW",
    help="The review to judge; by default the newest one that has the device.",
)
@options.baseline("What it must meet; office-device-strict where it is left out.")
@click.option("--accepted-by", metavar="PERSON", help="Who accepts it.")
@click.option("--requested-by", metavar="PERSON", help="Who requests it; not who accepts it.")
@click.option("--reason", metavar="TEXT", help="Why.")
@click.option(
    "--despite", multiple=True, metavar="CONTROL",
    help="A control that is answered with no or partly, and is put up with; repeatable.",
)  # fmt: skip
@click.option("--dry-run", "trial", is_flag=True, help="Show what it would come to, and keep nothing.")
@click.option(
    "-o",
    "--output",
    type=options.FILE,
    help="The record as a file too: HTML where its name ends so, else text.",
)
@options.store
@options.plugins
def accept(
    device: str, review_name: str | None, baseline_name: str | None, accepted_by: str | None, requested_by: str | None,
    reason: str | None, despite: Sequence[str], trial: bool, output: Path | None, store_url: str | None,
    plugins: options.Plugins,
) -> int:  # fmt: skip
    """Judge the stored observations of a device, and accept it where nothing prevents that.

    Open findings prevent it, and so do controls that the baseline requires and that are not attested, and checks that must
    be determined and are not. The status is 1 then, and nothing is kept.
    """
    from hardenprobe.baseline import baseline
    from hardenprobe.cli import requests
    from hardenprobe.cli.opening import opened
    from hardenprobe.lifecycle import acceptance, device_lookup
    from hardenprobe.reports import device_sheets
    from hardenprobe.store.ledger import Ledger

    checks = plugins.registry()
    expected = baseline.load(baseline_name or acceptance.BASELINE, checks)
    given = {
        "accepted_by": accepted_by,
        "requested_by": requested_by,
        "reason": reason,
        "despite": tuple(despite),
    }
    whole = (
        None
        if trial and None in given.values()
        else requests.from_options(acceptance.AcceptanceRequest, given)[0]
    )
    with opened(store_url) as kept:
        one = kept.find(review_name) if review_name else None
        found = device_lookup.find(kept, device, one)
        made = acceptance.assess(kept, found, expected, checks, Ledger(kept).decisions())
        if whole:
            with whole.blamed():
                made = acceptance.signed(whole.request, made)
        else:
            with requests.Submission(None, Path()).blamed():
                made = replace(made, despite=acceptance.despite(despite, made))
        if trial or made.refused:
            _print(device_sheets.acceptance(made), output)
            click.echo(
                "it is a trial; nothing is kept" if trial else "not accepted; nothing is kept", err=True
            )
            return REFUSED if made.refused else 0
        (entry,) = _add(kept, [acceptance.draft(made)])
    _print(device_sheets.acceptance(acceptance.read(entry), entry.digest), output)
    return 0


@command.command("retire")
@click.argument("device", metavar="DEVICE")
@click.option(
    "--answers", type=options.FILE, help="Every answer in a file (YAML); --template writes one to fill in."
)
@click.option(
    "--template",
    "only_template",
    is_flag=True,
    help="Write a file of answers to fill in, and retire nothing.",
)
@click.option("--by", metavar="PERSON", help="Who takes it out, and did what the options say.")
@click.option(
    "--when", metavar="DAY", help="When that was done, such as 2026-11-25; today where it is left out."
)
@click.option("--reason", metavar="TEXT", help="Why it goes.")
@click.option("--storage", metavar="TEXT", help="What shows that its storage is sanitised.")
@click.option("--method", metavar="clear|purge|destroy", help="How it is (NIST SP 800-88).")
@click.option("--certificate", metavar="TEXT", help="What shows that its certificate is revoked.")
@click.option("--serial", metavar="HEX", help="The serial of that certificate.")
@click.option(
    "--allow-lists", metavar="TEXT", help="What shows that its address is out of lists of admitted sources."
)
@click.option("--monitoring", metavar="TEXT", help="What shows that it is out of monitoring.")
@click.option("--accounts", metavar="TEXT", help="What shows that its accounts are removed.")
@click.option(
    "--not-applicable",
    multiple=True,
    metavar="POINT=WHY",
    help="A point of which there is nothing to do; repeatable.",
)
@click.option("--list", "lists", multiple=True, type=options.FILE,
              help="A list of admitted sources, or an inventory, that must not name its address any more; repeatable.")  # fmt: skip
@click.option("-o", "--output", type=options.FILE, help="The record, or the template, as a file.")
@options.store
def retire(
    device: str, answers: Path | None, only_template: bool, not_applicable: Sequence[str], lists: Sequence[Path],
    output: Path | None, store_url: str | None, **given: str | None,
) -> int:  # fmt: skip
    """Retire a device, once every point of the checklist has who, when and evidence.

    Its risk acceptances end with it; its reviews and every entry about it stay. While a point has no answer, or a --list
    still names its address, the status is 1, and nothing is kept.
    """
    from datetime import UTC, datetime

    from hardenprobe.cli import requests
    from hardenprobe.cli.opening import opened
    from hardenprobe.decisions import device_register, exceptions, inputs
    from hardenprobe.errors import UsageError
    from hardenprobe.lifecycle import checklist, device_lookup, retirement
    from hardenprobe.reports import device_sheets
    from hardenprobe.store import ledger

    today = datetime.now(UTC).date()
    said = [key for key, value in (*given.items(), ("not_applicable", not_applicable)) if value]
    if answers and said:
        names = ", ".join(f"--{key.replace('_', '-')}" for key in said)
        raise UsageError(f"--answers says all of it; leave out {names}")
    with opened(store_url) as kept:
        found = device_lookup.find(kept, device)
        entries = ledger.Ledger(kept).entries()
        made, named = retirement.leaving(kept, found, device_register.read(entries), lists)
        if only_template:
            _out(retirement.template(made), output)
            return 0
        if answers:
            told = checklist.from_file(answers, inputs.names_of(found.device), today)
        else:
            with requests.Submission(None, Path()).blamed():
                told = checklist.from_options(given, not_applicable, found.device.id, today)
        risks = exceptions.read(entries)
        ending = retirement.running(made, risks, today.isoformat())
        made = replace(made, answers=told, exceptions=tuple(one.id for one in ending))
        missing = [*told.missing(), *(f"allow_lists: {one}" for one in named)]
        if missing:
            _print(device_sheets.retirement(made, missing), output)
            more = f"`hardenprobe device retire {made.device} --template` writes a file of answers to fill in"
            click.echo(f"not retired; nothing is kept. {more}", err=True)
            return REFUSED
        entry, *_ = _add(kept, retirement.drafts(made, risks, today.isoformat()))
    _print(device_sheets.retirement(retirement.read(entry), (), entry.digest), output)
    return 0


@command.command("history")
@click.argument("device", metavar="DEVICE")
@click.option("--json", "as_json", is_flag=True, help="Write the events as JSON.")
@options.store
def history(device: str, as_json: bool, store_url: str | None) -> int:
    """List the history of a device, the oldest first: where and how it was reached, what was decided."""
    from dataclasses import asdict

    from hardenprobe.cli.opening import opened
    from hardenprobe.lifecycle import device_history, device_lookup
    from hardenprobe.reports.text import visible

    with opened(store_url) as kept:
        found = device_lookup.find(kept, device)
        events = device_history.events(kept, found)
    who = {"id": found.device.id, "label": found.device.label}
    if as_json:
        document = {"format": device_history.FORMAT, "device": who, "events": [asdict(one) for one in events]}
        options.write_json(document, "-")
        return 0
    click.echo(visible(f"{found.device.label}  {found.device.id}"))
    for one in events:
        where = f"review {one.review}" if one.review else f"ledger entry {one.entry}"
        click.echo(f"{one.at[:19]}  {one.what:15}  {visible(one.text, 1000)}  ({where})")
    return 0


def _add(kept: Store, drafts: Sequence[Draft]) -> tuple[Entry, ...]:
    from hardenprobe.store.ledger import Ledger

    return Ledger(kept).add(drafts)


def _print(sheet: Sheet, output: Path | None) -> None:
    from hardenprobe.reports import sheet as sheets

    click.echo(sheets.text(sheet, min(100, shutil.get_terminal_size().columns)), nl=False)
    if output:
        sheets.write(sheet, output)
        click.echo(f"wrote {output}", err=True)


def _out(text: str, output: Path | None) -> None:
    if output is None:
        click.echo(text, nl=False)
        return
    from hardenprobe.errors import UsageError

    try:
        with output.open("x", encoding="utf-8") as out:
            out.write(text)
    except OSError as exc:
        raise UsageError(f"-o {output}: {exc.strerror}") from exc
    click.echo(f"wrote {output}", err=True)
