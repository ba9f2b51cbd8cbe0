"""`hardenprobe allowlist`."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import click

from hardenprobe.cli import options


@click.command("allowlist")
@click.argument("file", type=options.FILE)
@click.option(
    "--approved",
    type=options.FILE,
    required=True,
    help="The approved networks: a list in any of the same forms, or an inventory that states them.",
)
@click.option(
    "--forms",
    default="cidr,range",
    show_default=True,
    metavar="LIST",
    help="Forms of entry that the device takes, of cidr, range and mask (masks that may have gaps).",
)
@click.option(
    "--fit",
    "room",
    type=click.IntRange(1, 100_000),
    metavar="N",
    help="The device takes N entries: show the shortest list, or the tightest that admits every approved source.",
)
@click.option("--edges", "with_edges", is_flag=True, help="Show the source addresses that test the list.")
@click.option("--json", "json_to", metavar="FILE|-", help="Write the result as JSON; - for standard output.")
def command(
    file: Path, approved: Path, forms: str, room: int | None, with_edges: bool, json_to: str | None
) -> int:
    """Compare an allow-list with the approved networks: what it admits beyond them, and what it leaves out.

    FILE is text with an entry a line, CSV or YAML: addresses, CIDR blocks, addresses with masks, first-last. The
    status is 1 when something is admitted that is not approved, an approved source is not admitted, or an entry is
    redundant, in a form that the device does not take, or one too many; 2 when an entry cannot be read.
    """
    from rich.console import Console

    from hardenprobe.addresses import allow_list
    from hardenprobe.addresses.edges import MOST_EDGES, edges
    from hardenprobe.addresses.lint import FORMS
    from hardenprobe.planning.vantage import is_ours
    from hardenprobe.reports import allowlist_screen

    taken = options.words("--forms", forms, FORMS)
    found = allow_list.compare(allow_list.read_list(file), allow_list.read_approved(approved), taken, room)
    tested = None
    if with_edges:
        wanted = islice(edges(found.listed.admitted), MOST_EDGES)
        tested = [(edge, is_ours(edge.inside), is_ours(edge.outside)) for edge in wanted]
    if json_to == "-" or (json_to is not None and not found.unreadable):
        options.write_json(allow_list.to_document(found, tested), json_to)
    if json_to != "-":
        allowlist_screen.show(found, Console(), tested)
    if found.unreadable:
        raise found.refusal()
    return 0 if found.clean else 1
