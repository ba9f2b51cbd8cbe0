"""`hardenprobe exception`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from hardenprobe.cli import options


@click.group("exception")
def command() -> None:
    """Accept a risk for a time: approval, compensating controls, expiry.

    The finding stays in every review, marked as accepted. It is open again when the risk acceptance expires, is ended, or
    no longer covers the finding because it got worse.
    """


@command.command("add")
@click.option("--device", metavar="NAME", help="Asset tag, id, name or address of the device.")
@click.option("--tag", metavar="TAG", help="Every device that the inventory tags so, instead of one device.")
@click.option("--check", metavar="CHECK", help="Whose findings are accepted.")
@click.option("--port", metavar="PORT/TRANSPORT", help="Only at this port, such as 23/tcp.")
@click.option("--subject", metavar="TEXT", help="Only this subject of several at that port.")
@click.option("--reason", metavar="TEXT", help="Why the risk is accepted.")
@click.option("--compensating", metavar="TEXT", help="Compensating controls until then.")
@click.option("--requested-by", metavar="PERSON", help="Who requests it.")
@click.option("--approved-by", metavar="PERSON", help="Who approves it; not the requester.")
@click.option("--starts", metavar="DAY", help="First day, such as 2026-11-25; today where it is left out.")
@click.option("--until", metavar="DAY", help="Last day; the baseline limits how far that may be.")
@click.option(
    "--from-file", type=options.FILE, help="Many risk acceptances at once (YAML); all are added, or none."
)
@click.option("--review", "review_name", metavar="REVIEW", default="latest", show_default=True,
              help="The review with the findings.")  # fmt: skip
@options.baseline("Whose limits hold; without it, those of each device's own.")
@options.store
def add(
    from_file: Path | None, review_name: str, baseline_name: str | None, store_url: str | None, **given: Any
) -> int:
    """Accept findings of a review. The risk acceptance applies from the next `scan` or `judge` on."""
    from datetime import UTC, datetime

    from hardenprobe.baseline import selection
    from hardenprobe.cli import requests
    from hardenprobe.cli.opening import opened
    from hardenprobe.decisions import exceptions
    from hardenprobe.decisions.exceptions import ExceptionRequest
    from hardenprobe.plugins import registry
    from hardenprobe.store import ledger

    checks = registry.load()
    wanted = requests.asked(ExceptionRequest, given, from_file, _read)
    today = datetime.now(UTC).date()
    with opened(store_url) as kept:
        review = kept.load(review_name)
        rules = () if baseline_name else review.head.baselines
        expected = selection.choose(rules, checks, baseline_name)
        drafts = []
        for one in wanted:
            with one.blamed():
                drafts.append(exceptions.draft(one.request, review, expected, checks, today))
        made = exceptions.read(ledger.Ledger(kept).add(drafts))
    for new in made:
        found = len(new.accepted)
        what = "1 finding" if found == 1 else f"{found} findings"
        click.echo(f"{new.id}  {new.about}: {what} of review {new.review}, {new.state(today.isoformat())}")
    return 0


@command.command("list")
@click.option("--history", is_flag=True, help="Every entry of the ledger, as it was made.")
@click.option("--json", "as_json", is_flag=True, help="Write the list as JSON.")
@options.store
def show(history: bool, as_json: bool, store_url: str | None) -> int:
    """List the exceptions: what each covers, since when and why it no longer does, what expired and what ends soon.

    The status is 3 where the ledger was changed from outside.
    """
    from collections.abc import Mapping, Sequence
    from dataclasses import asdict

    from hardenprobe.cli import ledger_list
    from hardenprobe.comparison.acceptances import Covered, covered, state_text
    from hardenprobe.decisions import exceptions
    from hardenprobe.decisions.exceptions import RiskException
    from hardenprobe.store.store import Store

    now: dict[str, Covered] = {}

    def learn(kept: Store, found: Sequence[RiskException]) -> Mapping[str, Mapping[str, Any]]:
        now.update(covered(kept, found))
        return {one.id: {"now": asdict(now.get(one.id, Covered()))} for one in found}

    def told(one: RiskException, today: str) -> tuple[str, ...]:
        return (
            f"{one.id}  {state_text(one, today, now.get(one.id, Covered()))}  {one.about}",
            f"why: {one.reason}",
            f"compensating controls: {one.compensating}",
            f"requested by {one.requested_by}, approved by {one.approved_by}",
        )

    kinds = (exceptions.KIND, exceptions.END, exceptions.EXPIRED)
    return ledger_list.show(
        store_url, exceptions.read, told, kinds, history=history, as_json=as_json, learn=learn
    )


@command.command("end")
@click.argument("exception", metavar="EXCEPTION")
@click.option("--by", required=True, metavar="PERSON", help="Who ends it.")
@click.option("--reason", required=True, metavar="TEXT", help="Why.")
@options.store
def end(exception: str, by: str, reason: str, store_url: str | None) -> int:
    """End a risk acceptance before its last day. It stays in the history, and its findings are open again."""
    from hardenprobe.cli import requests
    from hardenprobe.decisions import exceptions

    requests.end(store_url, exceptions.KIND, exceptions.read, exception, by, reason)
    click.echo(f"{exception} is ended; its findings are open again from the next scan or judge on", err=True)
    return 0


def _read(path: Path) -> list[Any]:
    from hardenprobe.cli import requests
    from hardenprobe.decisions.exceptions import FORMAT, RequestFile

    return requests.from_file(RequestFile, path, "accept", FORMAT)
