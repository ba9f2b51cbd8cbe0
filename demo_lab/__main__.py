"""`python -m hardenprobe.demo_lab`: the lab as a process of its own.

One JSON line on standard output when every port is bound, one after every line `counters` on standard input, and one at
the end, which comes when standard input closes or a signal asks for it.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import signal
import sys
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from hardenprobe.demo_lab import INVENTORY, declarations, fleet, plugged, server
from hardenprobe.errors import HardenprobeError, UsageError


def main() -> int:
    """Run the lab; the exit status is 2 where it cannot start."""
    parser = argparse.ArgumentParser(
        prog="python -m hardenprobe.demo_lab",
        description="Virtual office devices on loopback addresses, until standard input closes.",
    )
    parser.add_argument("--inventory", type=Path, default=INVENTORY, metavar="FILE")
    parser.add_argument(
        "--fleet", type=int, metavar="N", help="N devices made from a few of the shipped inventory's"
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="decides the mixture of the fleet")
    parser.add_argument(
        "--port-offset",
        type=int,
        metavar="N",
        help="added to every port; chosen by what is free and what this user may bind",
    )
    parser.add_argument("--addresses", nargs="+", metavar="ADDRESS", help="only these of the inventory")
    parser.add_argument(
        "--services-from",
        type=Path,
        action="append",
        default=[],
        metavar="FOLDER",
        help="whose Python files bring services of your own; this runs their code",
    )
    options = parser.parse_args()
    try:
        plugged.from_folders(options.services_from)
        with tempfile.TemporaryDirectory(prefix="hardenprobe-lab-") as folder:
            asyncio.run(_run(options, Path(folder)))
    except HardenprobeError as exc:
        print(f"demo lab: {exc}", file=sys.stderr)
        return 2
    return 0


async def _run(options: argparse.Namespace, folder: Path) -> None:
    if options.fleet is None:
        path, devices = options.inventory, declarations.simulated(declarations.load(options.inventory))
    else:
        path, devices = folder / "fleet.yaml", fleet.devices(options.fleet, options.seed)
        fleet.write(devices, path)
    if options.addresses is not None:
        known = {address for device in devices for address in device.listed.addresses}
        for address in options.addresses:
            if address not in known:
                raise UsageError(f"no simulated device of {path} has the address {address!r}")
        wanted = set(options.addresses)
        devices = tuple(d for d in devices if wanted & set(d.listed.addresses))
    until = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, until.set)
    lab = server.start(devices, folder, options.port_offset, options.addresses)
    _tell(
        {
            "ready": True,
            "port_offset": lab.port_offset,
            "inventory": str(path),
            "ca_file": str(lab.ca_file),
            "devices": len(devices),
            "sockets": lab.sockets,
        }
    )
    _listen(loop, lambda: _tell(lab.counters()), until.set)
    await lab.serve(until)
    _tell(lab.counters())


def _tell(line: dict[str, Any]) -> None:
    with contextlib.suppress(BrokenPipeError):  # whoever started us may be gone
        print(json.dumps(line), flush=True)


def _listen(loop: asyncio.AbstractEventLoop, counters: Callable[[], None], stop: Callable[[], None]) -> None:
    """Read standard input in a thread: it may be a pipe, a terminal or a file, and a loop can wait for pipes alone."""

    def read() -> None:
        pending = b""
        with contextlib.suppress(OSError, RuntimeError):  # RuntimeError: the loop has ended in between
            while data := os.read(0, 4096):
                *lines, pending = (pending + data)[-8192:].split(b"\n")
                for line in lines:
                    if line.strip() == b"counters":
                        loop.call_soon_threadsafe(counters)
        with contextlib.suppress(RuntimeError):
            loop.call_soon_threadsafe(stop)

    threading.Thread(target=read, daemon=True, name="demo-lab-input").start()


if __name__ == "__main__":
    sys.exit(main())
