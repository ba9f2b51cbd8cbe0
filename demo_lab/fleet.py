"""A fleet of any size, made from a handful of the inventory's devices: for measuring, and for scans at scale.

Every device has addresses, names, serial, engine id and keys of its own, all made from its number, so that the same
count and seed give the same fleet. Nothing is made before somebody asks for it: TLS settings, keys and MIBs come to be
at the first connection.

Each port of each device is a socket of its own, as in the small lab. 2,500 devices take about 11,000 sockets, which
are bound and watched in half a second and a few megabytes; so nothing speaks for one listener on a wildcard address,
which the system would let answer for devices that do not have the port, and only a reset from the system itself looks
like a closed port. What it takes is a limit on open files that lets it; `server.Lab.bind` raises it as far as it may.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterable, Sequence
from dataclasses import asdict, replace
from ipaddress import IPv4Address
from pathlib import Path

from hardenprobe.demo_lab.certificates import key_digest
from hardenprobe.demo_lab.declarations import Virtual, load
from hardenprobe.demo_lab.named_keys import named_key
from hardenprobe.demo_lab.process import INVENTORY
from hardenprobe.devices import inventory
from hardenprobe.errors import UsageError

NETWORK = IPv4Address("127.80.0.0")
IN_BLOCK = 254  # devices in a block of 256 addresses, so that none ends in 0 or 255
MOST = 254 * 256  # what a /16 holds

# Asset tag of the inventory to its share of the fleet. P-256 certificates only: a fleet of new RSA keys would cost the
# machine more than its scan.
RECIPES = {
    "RP-0101": 18,  # well kept
    "RP-0103": 10,
    "RP-0104": 10,
    "RP-0105": 8,
    "RP-0201": 8,  # old, with everything on
    "RP-0205": 8,
    "RP-0206": 8,
    "RP-0203": 6,
    "RP-0305": 8,  # half-way
    "RP-0307": 8,
    "RP-0501": 4,
    "RP-0601": 4,
}


def devices(count: int, seed: int = 1) -> tuple[Virtual, ...]:
    """Make a fleet.

    Args:
        count: 1 to 65,024.
        seed: Decides which number is made from which recipe.

    Raises:
        UsageError: No such count.
    """
    if not 1 <= count <= MOST:
        raise UsageError(f"a fleet of {count} devices; it may have 1 to {MOST}")
    recipes = {d.listed.asset_tag: d for d in load(INVENTORY) if d.listed.asset_tag in RECIPES}
    chooser = random.Random(seed)
    tags = [*RECIPES, *chooser.choices(list(RECIPES), list(RECIPES.values()), k=count)][:count]
    chooser.shuffle(tags)  # a small fleet has one of each, too
    return tuple(_made(number, recipes[tag]) for number, tag in enumerate(tags, 1))


def recipe(device: Virtual) -> str:
    """The asset tag of the device that this one was made from."""
    return device.listed.tags[-1]


def span(count: int) -> str:
    """The addresses of a fleet as a target; between them are a few without a device."""
    return f"{_address(1)}-{_address(count)}"


def write(fleet: Iterable[Virtual], path: Path, approved_networks: Sequence[str] | None = None) -> None:
    """Write the inventory of a fleet, without what the lab simulates: one device a line.

    Args:
        approved_networks: The shipped inventory's by default.
    """
    if approved_networks is None:
        approved_networks = inventory.load(INVENTORY).approved_networks
    approved = json.dumps(approved_networks)
    with path.open("w", encoding="utf-8") as out:
        out.write(f"inventory: {json.dumps(inventory.FORMAT)}\napproved_networks: {approved}\ndevices:\n")
        for device in fleet:
            kept = {k: v for k, v in asdict(replace(device.listed, lab=None)).items() if v not in (None, ())}
            out.write(f"  - {json.dumps(kept)}\n")


def _address(number: int) -> str:
    block, place = divmod(number - 1, IN_BLOCK)
    return str(NETWORK + 256 * block + place + 1)


def _made(number: int, from_: Virtual) -> Virtual:
    old = from_.listed
    tag = f"FL-{number:05}"
    pinned = key_digest(named_key(tag)) if old.pinned_key else None
    listed = replace(
        old,
        asset_tag=tag,
        addresses=(_address(number),),
        names=(f"{tag.lower()}.devices.example",),
        serial=f"{old.serial.partition('-')[0]}-{number:06}" if old.serial else None,
        pinned_key=pinned,
        tags=(*old.tags, old.asset_tag),
    )
    return replace(from_, listed=listed)
