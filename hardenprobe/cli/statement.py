"""`hardenprobe statement`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from hardenprobe.cli import options


@click.group("statement")
def command() -> None:
    """Keep attestations: controls assessed manually, with who, when, the method, and a file that shows it."""


@command.command("add")
@click.option("--control", metavar="CONTROL", help="Which one; `hardenprobe statement questions` lists them.")
@click.option("--device", metavar="NAME", help="Asset tag, id, name or address of the device.")
@click.option("--tag", metavar="TAG", help="Every device that the inventory tags so, instead of one device.")
@click.option("--fleet", is_flag=True, default=None, help="The whole fleet, instead of one device.")
@click.option("--answer", metavar="yes|no|partly|'not applicable'", help="Whether it is so.")
@click.option("--words", metavar="TEXT", help="Own words, beside the answer.")
@click.option("--by", metavar="PERSON", help="Who attests it.")
@click.option(
    "--made", metavar="DAY", help="When it was assessed, such as 2026-11-25; today where it is left out."
)
@click.option("--until", metavar="DAY", help="Last day on which it is valid.")
@click.option("--method", metavar="examine|interview|test", help="Method of the assessment (SP 800-53A).")
@click.option("--file", metavar="FILE", help="What shows it; a copy of 10 MiB at most is kept.")
@click.option(
    "--from-file", type=options.FILE, help="Many attestations at once (YAML); all are added, or none."
)
@options.store
def add(from_file: Path | None, store_url: str | None, **given: Any) -> int:
    """Add an attestation. It is compared with what the network shows from the next `scan` or `judge` on."""
    from datetime import UTC, datetime

    from hardenprobe.cli import requests
    from hardenprobe.cli.opening import opened
    from hardenprobe.decisions import statements
    from hardenprobe.decisions.statements import StatementRequest
    from hardenprobe.errors import clip
    from hardenprobe.lifecycle import device_lookup
    from hardenprobe.store import ledger

    wanted = requests.asked(StatementRequest, given, from_file, _read)
    today = datetime.now(UTC).date()
    drafts = []
    for one in wanted:
        with one.blamed():
            drafts.append(statements.draft(one.request, today, one.folder))
    with opened(store_url, make=True) as kept:
        made = statements.read(ledger.Ledger(kept).add(drafts))
        named = dict.fromkeys((one.device, one.tag) for one in made if one.device or one.tag)
        strange = [(name, tag) for name, tag in named if not device_lookup.heard_of(kept, name, tag)]
    for new in made:
        click.echo(f"{new.id}  {new.control} of {new.about}: {new.answer}, {new.state(today.isoformat())}")
    for name, tag in strange:
        what = f"no device called {clip(name)}" if name is not None else f"no device with the tag {clip(tag)}"
        click.echo(f"notice: the newest review has {what}; the statement counts once one has", err=True)
    return 0


@command.command("list")
@click.option("--history", is_flag=True, help="Every entry of the ledger, as it was made.")
@click.option("--json", "as_json", is_flag=True, help="Write the list as JSON.")
@options.store
def show(history: bool, as_json: bool, store_url: str | None) -> int:
    """List the attestations, expired and withdrawn ones included. The status is 3 where the ledger was changed from outside."""
    from hardenprobe.cli import ledger_list
    from hardenprobe.decisions import statements
    from hardenprobe.decisions.statements import Statement

    def told(one: Statement, today: str) -> tuple[str, ...]:
        file = f"file {one.file}, SHA-256 {one.file_sha256}" if one.file else ""
        rest = (one.words, f"by {one.by}, {one.made}, {one.method}", file)
        return f"{one.id}  {one.state(today)}  {one.control} of {one.about}: {one.answer}", *filter(
            None, rest
        )

    return ledger_list.show(
        store_url, statements.read, told, (statements.KIND, statements.END), history=history, as_json=as_json
    )


@command.command("end")
@click.argument("statement", metavar="STATEMENT")
@click.option("--by", required=True, metavar="PERSON", help="Who withdraws it.")
@click.option("--reason", required=True, metavar="TEXT", help="Why.")
@options.store
def end(statement: str, by: str, reason: str, store_url: str | None) -> int:
    """Withdraw an attestation. It stays in the history, and its control is not attested any more."""
    from hardenprobe.cli import requests
    from hardenprobe.decisions import statements

    requests.end(store_url, statements.KIND, statements.read, statement, by, reason)
    click.echo(f"{statement} is withdrawn from the next scan or judge on", err=True)
    return 0


@command.command("file")
@click.argument("statement", metavar="STATEMENT")
@click.option("-o", "--output", required=True, type=options.FILE, help="Where to.")
@options.store
def file(statement: str, output: Path, store_url: str | None) -> int:
    """Write the file that was attached to an attestation, after its digest is verified."""
    from hardenprobe.cli.opening import opened
    from hardenprobe.decisions import statements
    from hardenprobe.errors import UnknownName, UsageError
    from hardenprobe.store import ledger

    with opened(store_url) as kept:
        book = ledger.Ledger(kept)
        known = {one.id: one for one in statements.read(book.entries())}
        if statement not in known:
            raise UnknownName("statement", statement, known, see="hardenprobe statement list")
        digest = known[statement].file_sha256
        if digest is None:
            raise UsageError(f"{statement} has no file")
        data = book.file(digest)
    try:
        output.write_bytes(data)
    except OSError as exc:
        raise UsageError(f"-o {output}: {exc.strerror}") from exc
    click.echo(f"wrote {output}, SHA-256 {digest}", err=True)
    return 0


@command.command("questions")
def questions() -> int:
    """List the controls that can be attested."""
    from hardenprobe.standards import controls

    for one in controls.shipped().values():
        click.echo(f"{one.id}\n  {one.question}\n  {one.method}; SP 800-53 {', '.join(one.controls)}")
    return 0


def _read(path: Path) -> list[Any]:
    from hardenprobe.cli import requests
    from hardenprobe.decisions.statements import FORMAT, RequestFile

    return requests.from_file(RequestFile, path, "state", FORMAT)
