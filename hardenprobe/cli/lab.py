"""`hardenprobe lab`."""

from __future__ import annotations

import time
from pathlib import Path

import click

from hardenprobe.cli import options


@click.group("lab")
def command() -> None:
    """Start virtual devices."""


@command.command("list")
def show_all() -> int:
    """List the virtual devices and what they speak."""
    from hardenprobe.demo_lab import process
    from hardenprobe.model.yaml_file import load_yaml

    for device in load_yaml(process.INVENTORY).data["devices"]:
        services = (device.get("lab") or {}).get("services") or []
        speaks = ", ".join(f"{s['speaks']} {s['port']}" if "port" in s else s["speaks"] for s in services)
        addresses = ", ".join(device["addresses"])
        click.echo(f"{device['asset_tag']:9} {device['kind']:14} {addresses:26} {speaks or 'switched off'}")
    return 0


@command.command("start")
@click.option(
    "--port-offset",
    type=click.IntRange(0, 55535),
    default=None,
    help="Added to every port; a free one by default.",
)
@click.option(
    "--fleet", type=click.IntRange(min=1), default=None, metavar="N", help="N devices in place of the demo's."
)
@click.option("--hostile", is_flag=True, help="Devices that attack the scanner, in place of the demo's.")
@click.option(
    "--inventory",
    type=options.FILE,
    help="Devices of your own: an inventory with `lab:` parts, in place of the demo's.",
)
@click.option(
    "--services-from",
    multiple=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Take services from the Python files of this folder too; this runs their code. Repeatable.",
)
@click.option(
    "--network",
    is_flag=True,
    help="Segments, a router and filtered devices in network namespaces (Linux), in place of the demo's.",
)
def start(
    port_offset: int | None,
    fleet: int | None,
    hostile: bool,
    network: bool,
    inventory: Path | None,
    services_from: tuple[Path, ...],
) -> int:
    """Start the virtual devices; Ctrl-C stops them."""
    from hardenprobe.demo_lab.process import HOSTILE, running_lab

    if (fleet is not None) + hostile + network + (inventory is not None) > 1:
        raise click.UsageError(
            "--fleet, --hostile, --network and --inventory start different labs; choose one"
        )
    if network:
        if port_offset is not None or services_from:
            raise click.UsageError("--network takes no other option: its devices have ports of their own")
        return _start_network()
    target = "127.77.0.0/24"
    if hostile:
        from hardenprobe.demo_lab import hostile as attackers

        target = attackers.ADDRESSES
    elif fleet:
        from hardenprobe.demo_lab import fleet as fleets

        target = fleets.span(fleet)
    elif inventory:
        from hardenprobe.devices.inventory import load

        target = " ".join(load(inventory).by_address)
    file = HOSTILE if hostile else inventory
    with running_lab(file, port_offset, fleet=fleet, services_from=services_from) as lab:
        shift = f" --port-offset {lab.port_offset}" if lab.port_offset else ""
        click.echo(f"the lab is up on {target}; in another terminal:")
        click.echo(
            f"  hardenprobe scan {target} --inventory {lab.inventory} --trust-anchor {lab.ca_file}{shift}"
        )
        click.echo("Ctrl-C stops it")
        try:
            while lab.counters():  # says so when the lab has ended by itself
                time.sleep(1)
        except KeyboardInterrupt:
            click.echo("\nstopped")
    return 0


def _start_network() -> int:
    """Start the network lab around this process; whoever scans it enters its namespace."""
    import os
    import tempfile

    from hardenprobe.demo_lab import namespaces, network
    from hardenprobe.demo_lab.network_lab import NETWORK

    owned = [] if os.getuid() == 0 else ["--user", "--preserve-credentials"]
    with tempfile.TemporaryDirectory(prefix="hardenprobe-lab-") as folder:
        namespaces.leave()
        with network.raised(NETWORK) as raised, network.serving(raised, Path(folder)) as lab:
            inventory, scope = network.write_files(NETWORK, Path(folder))
            enter = " ".join(["nsenter", "--target", str(os.getpid()), "--net", *owned, "--"])
            targets = " ".join(a for s in NETWORK.stations for a in s.device.listed.addresses)
            click.echo(f"the network lab is up on {', '.join(NETWORK.networks)}; in another terminal:")
            click.echo(f"  {enter} hardenprobe scan {targets} --inventory {inventory} --scope {scope}")
            click.echo("Ctrl-C stops it")
            try:
                while lab.counted():
                    time.sleep(1)
            except KeyboardInterrupt:
                click.echo("\nstopped")
    return 0
