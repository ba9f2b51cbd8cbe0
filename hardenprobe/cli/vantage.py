"""`hardenprobe vantage`."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from pathlib import Path
from typing import Any

import click

from hardenprobe.cli import options


@click.group("vantage")
def command() -> None:
    """Vantage points: workers that scan where the devices can be reached.

    A scheduler passes work on, a worker scans from each vantage point, and `scan --cluster` gives them the work. All of them
    authenticate by certificates of one private authority. Whoever holds one of its keys can command the workers: keep them.
    """


@command.command("certificates")
@click.argument("names", nargs=-1, metavar="NAME...")
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("vantage-certificates"),
    show_default=True,
    help="Where the authority is made, or was made before.",
)
@click.option(
    "--days", type=click.IntRange(1, 3650), default=365, show_default=True, help="How long they are valid."
)
def certificates(names: tuple[str, ...], folder: Path, days: int) -> int:
    """Make a private authority and a certificate for each NAME.

    NAME is a vantage point. The first time, the scheduler and whoever scans get one as well. Take each folder to its machine,
    and to no other; the authority's key stays here.
    """
    from hardenprobe.cluster import certificates as made

    first = [name for name in (made.SCHEDULER, made.SCAN) if not (folder / name).exists()]
    wanted = list(dict.fromkeys([*first, *names]))
    if not wanted:
        raise click.UsageError("every certificate is there already; name the vantage points that need one")
    for party in made.make(folder, wanted, days):
        click.echo(f"made {party}")
    return 0


@command.command("scheduler")
@click.option(
    "--listen",
    "address",
    default="tls://127.0.0.1:8786",
    show_default=True,
    metavar="ADDRESS",
    help="Where workers and scans reach it.",
)
@options.certificates
@click.option(
    "--dashboard",
    metavar="HOST:PORT",
    help="Serve a page of what the workers do; without TLS, for anybody who reaches it.",
)
def scheduler(address: str, folder: Path, dashboard: str | None) -> int:
    """Run the scheduler; Ctrl-C stops it. It passes work on and keeps nothing."""
    from hardenprobe.cluster import connection
    from hardenprobe.errors import UsageError

    address = connection.check_address(address)
    connection.security(folder)
    from hardenprobe.cluster.scheduler import serve

    try:
        return _until_interrupted(
            serve(address, folder, dashboard, lambda at: click.echo(f"the scheduler listens at {at}"))
        )
    except OSError as exc:
        raise UsageError(f"--listen {address}: {exc.strerror or exc}") from exc


@command.command("start")
@click.option("--name", required=True, help="Of the vantage point; the certificate is for this name.")
@click.option(
    "--scheduler", "address", required=True, metavar="ADDRESS", help="Such as tls://192.0.2.10:8786."
)
@click.option(
    "--scope",
    type=options.FILE,
    required=True,
    help="What may be scanned from here; what this file and the scan's own allow both.",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    help="Where the scheduler reaches the worker, for a firewall between them; any by default.",
)
@options.certificates
def start(name: str, address: str, scope: Path, port: int, folder: Path) -> int:
    """Run a worker at a vantage point; Ctrl-C stops it."""
    from hardenprobe.cluster import connection
    from hardenprobe.cluster.certificates import check_name
    from hardenprobe.scope import scope_file

    check_name(name)
    address = connection.check_address(address)
    scope_file.load(scope)
    connection.security(folder)
    from hardenprobe.cluster.worker import serve

    def ready(_: str) -> None:
        click.echo(f"vantage point {name} is ready, under the scope of {scope}")

    return _until_interrupted(serve(address, name, scope.absolute(), folder, port, ready))


@command.command("list")
@click.option(
    "--scheduler", "address", required=True, metavar="ADDRESS", help="Such as tls://192.0.2.10:8786."
)
@options.certificates
@click.option("--json", "json_to", metavar="FILE|-", help="Write it as JSON; - for standard output.")
def show_all(address: str, folder: Path, json_to: str | None) -> int:
    """List the workers that are there, their versions, and how far their clocks are off this one."""
    from hardenprobe.cluster import connection, roster

    there = asyncio.run(roster.call(connection.check_address(address), folder))
    if json_to:
        document = [
            {
                "vantage": one.vantage,
                "address": one.address,
                "version": one.version,
                "clock_offset": one.clock_offset,
                "within": one.within,
            }
            for one in there
        ]
        options.write_json(document, json_to)
        return 0
    if not there:
        click.echo("no worker is there; `hardenprobe vantage start` runs one", err=True)
    for one in there:
        clock = "clock not known"
        if one.clock_offset is not None:
            clock = f"clock {one.clock_offset:+.3f} s, to within {one.within:.3f} s"
        click.echo(f"{one.vantage:20} {one.address:32} {one.version}  {clock}")
    return 0


def _until_interrupted(serving: Coroutine[Any, Any, None]) -> int:
    """Serve; Ctrl-C and SIGTERM end it in order."""
    import signal

    async def serve() -> None:
        task = asyncio.ensure_future(serving)
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, task.cancel)
        try:
            await task
        except asyncio.CancelledError:
            click.echo("stopped")

    asyncio.run(serve())
    return 0
