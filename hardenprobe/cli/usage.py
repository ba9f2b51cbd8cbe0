"""`hardenprobe usage`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from hardenprobe.cli import options


@click.group("usage")
def command() -> None:
    """Keep who uses which service, read from captures and flow records. Nothing is sent, and no payload is kept.

    Capture and keep traffic only where you are authorised to: who talks to whom is personal data.
    """


@command.command("add")
@click.argument("sources", metavar="SOURCE...", nargs=-1, required=True, type=options.FILE)
@options.place
@click.option("--inventory", type=options.FILE, help="The devices, beside those that the store has met.")
@click.option("--pseudonyms", metavar="KEY-FILE", type=options.FILE,
              help="Keep keyed pseudonyms of clients; the key is made where it is not there, and never stored.")  # fmt: skip
@click.option(
    "--by-network",
    metavar="BITS",
    type=int,
    help="Keep the network of a client instead, such as 24; of IPv6 the /64.",
)
@click.option(
    "--keep-days",
    type=click.IntRange(1, 36500),
    default=90,
    show_default=True,
    help="Days after its end that a period is used; then it is expired.",
)
@options.store
def add(
    sources: tuple[Path, ...],
    place: str,
    inventory: Path | None,
    pseudonyms: Path | None,
    by_network: int | None,
    keep_days: int,
    store_url: str | None,
) -> int:
    """Read captures (pcap, pcapng) or flow records (IPFIX, CSV), plain or packed by gzip.

    Only conversations with services of known devices are kept: client, device, port, first and last time, how many, bytes.
    A CSV file names its columns: client, device, transport, port, first, last, and if it has them conversations, bytes_sent,
    bytes_received.
    """
    from hardenprobe.cli.opening import opened
    from hardenprobe.devices import inventory as inventories
    from hardenprobe.errors import UsageError
    from hardenprobe.evidence import pseudonyms as names
    from hardenprobe.model.transcript import utc_now
    from hardenprobe.reports import usage_text
    from hardenprobe.reports.text import counted, visible
    from hardenprobe.store import usage as kept_usage
    from hardenprobe.usage import collect

    if pseudonyms and by_network is not None:
        raise click.UsageError("--pseudonyms and --by-network exclude each other")
    if not place.strip():
        raise click.UsageError("--place is empty; say where the traffic was seen")
    how: dict[str, Any] = {}
    if pseudonyms:
        key = names.load(pseudonyms)
        how = {"named": lambda client: key.of("client", client), "kept_as": "pseudonyms"}
    elif by_network is not None:
        how = {"named": collect.network_of(by_network), "kept_as": "networks"}
    listed = inventories.load(inventory).by_address if inventory else {}
    with opened(store_url, make=True) as kept:
        devices = kept_usage.device_addresses(kept) | set(listed)
        if not devices:
            raise UsageError(
                "no device is known: name them by --inventory, or scan first; only traffic of devices is kept"
            )
        if how:  # a report could not tell them by their address any more
            how["scanners"] = kept_usage.scanners(kept)
        for path in sources:
            source, uses = collect.collect(path, place.strip(), devices, kept_days=keep_days, **how)
            kept_usage.keep(kept, source, uses)
            click.echo(usage_text.source_line(source, utc_now()[:10]))
            services = len({(use.address, use.transport, use.port) for use in uses})
            clients = len({use.client for use in uses})
            click.echo(
                f"  {counted(services, 'service')} of {counted(len(source.devices), 'device address', 'device addresses')}"
                f" used by {counted(clients, 'client')}"
            )
            for notice in source.notices:
                click.echo(f"notice: {visible(notice)}", err=True)
    return 0


@command.command("show")
@click.option("--device", metavar="ADDRESS", help="Only the services of this address.")
@click.option("--json", "as_json", is_flag=True, help="Write it as JSON.")
@options.store
def show(device: str | None, as_json: bool, store_url: str | None) -> int:
    """Show what is covered, and who used which service. What has expired is named, and not used."""
    from dataclasses import asdict

    from hardenprobe.cli.opening import opened
    from hardenprobe.model.transcript import utc_now
    from hardenprobe.reports import usage_text
    from hardenprobe.store import usage as kept_usage
    from hardenprobe.usage.summary import Usage

    with opened(store_url) as kept:
        sources = kept_usage.sources(kept)
        uses = kept_usage.uses(kept, None if device is None else [device])
    if as_json:
        document = {"format": "hardenprobe.usage/1", "sources": [asdict(one) for one in sources],
                    "uses": [asdict(one) for one in uses]}  # fmt: skip
        options.write_json(document, "-")
        return 0
    if not sources:
        click.echo("nothing is covered; `hardenprobe usage add` reads captures and flow records", err=True)
        return 0
    today = utc_now()[:10]
    click.echo("Sources, and what they cover:")
    for source in sources:
        click.echo(f"  {usage_text.source_line(source, today)}")
    index = Usage(sources, uses, day=today)
    addresses = [device] if device is not None else index.addresses
    for address in addresses:
        used = index.of_device([address])
        for (transport, port), usage in used.items():
            click.echo(f"{port}/{transport} on {address}: {usage_text.summary(usage)}")
            for user in usage.users:
                click.echo(f"  {usage_text.user_line(user)}")
        rest = index.of([address], "tcp", 0)  # a port that nothing has
        click.echo(f"{'other services' if used else 'services'} on {address}: {usage_text.summary(rest)}")
    click.echo(
        "Absence is said only for what is covered, at the places named; it never means that a service is unused."
    )
    return 0


@command.command("prune")
@click.argument("names", nargs=-1, metavar="[SOURCE]...")
@click.option(
    "--before", metavar="DAY", help="Every source whose period ended before this day, such as 2026-01-01."
)
@click.option("--expired", is_flag=True, help="Every source that has expired; for a job that runs each day.")
@options.store
def prune(names: tuple[str, ...], before: str | None, expired: bool, store_url: str | None) -> int:
    """Delete what sources say of use, permanently. SOURCE is an id that `usage show` names."""
    from pathlib import Path

    from hardenprobe.cli import requests
    from hardenprobe.cli.opening import opened
    from hardenprobe.decisions.inputs import day
    from hardenprobe.model.transcript import utc_now
    from hardenprobe.store import usage as kept_usage

    if not names and before is None and not expired:
        raise click.UsageError("say which sources: name them, or give --before DAY or --expired")
    with requests.Submission(None, Path()).blamed():
        first = day("before", before).isoformat() if before else None
    with opened(store_url) as kept:
        gone = kept_usage.prune(kept, names, first, utc_now()[:10] if expired else None)
    for one in gone:
        click.echo(f"deleted {one}")
    if not gone:
        why = [*([f"ended before {first}"] if first else []), *(["has expired"] if expired else [])]
        click.echo(f"no period {' or '.join(why)}; nothing was deleted", err=True)
    return 0
