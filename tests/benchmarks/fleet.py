"""Full scans of a whole fleet beside what its slowest device costs alone, and how they grow with the fleet.

    python tests/benchmarks/fleet.py [--sizes 25 250 2500] [--at-most 1.5] [--growth-at-most 1.2]

Every scan is the command line's own, of the whole shipped baseline at reach ask, with a store; the lab is another
process. The floor is what waiting alone costs: the seconds of the slowest kind of device, scanned alone, times devices
over devices at once. Growth is what each further device costs, of one step over the step before: 1 is linear. (The whole
time would flatter the large fleets: the last visits, when fewer are left than may be asked at once, wait as long in each.)
"""

from __future__ import annotations

import argparse
import itertools
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from hardenprobe.demo_lab import fleet
from hardenprobe.demo_lab.process import RunningLab, running_lab
from hardenprobe.scope.limits import Timing

AT_ONCE = Timing().devices_at_once


def scan(lab: RunningLab, target: str) -> float:
    """Seconds of one scan, its beginning and its end among them.

    Raises:
        RuntimeError: It did not end as a scan with findings does.
    """
    with tempfile.TemporaryDirectory() as folder:
        command = [
            sys.executable, "-m", "hardenprobe", "scan", target, "--inventory", str(lab.inventory),
            "--trust-anchor", str(lab.ca_file), "--port-offset", str(lab.port_offset),
            "--store", str(Path(folder) / "reviews.db"),
        ]  # fmt: skip
        begun = time.perf_counter()
        done = subprocess.run(command, check=False, capture_output=True, text=True)
        took = time.perf_counter() - begun
    if done.returncode not in (0, 1, 3):
        raise RuntimeError(done.stderr)
    return took


def slowest(lab: RunningLab, size: int) -> tuple[str, float]:
    """The kind of device that takes longest when it is scanned alone, and its seconds."""
    first: dict[str, str] = {}
    for device in fleet.devices(size):
        first.setdefault(fleet.recipe(device), device.listed.addresses[0])
    alone = {kind: scan(lab, address) for kind, address in first.items()}
    for kind, took in sorted(alone.items()):
        print(f"  {kind} alone {took:.1f} s", file=sys.stderr)
    kind = max(alone, key=lambda kind: alone[kind])
    return kind, alone[kind]


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--sizes", type=int, nargs="+", default=[25, 250, 2500])
    parser.add_argument(
        "--at-most", type=float, default=float("inf"), help="exit 1 above this ratio to the floor"
    )
    parser.add_argument("--growth-at-most", type=float, default=float("inf"), help="exit 1 above this growth")
    options = parser.parse_args()
    took: dict[int, float] = {}
    failed = False
    with running_lab(fleet=max(options.sizes)) as lab:
        kind, alone = slowest(lab, min(options.sizes))
        for size in sorted(options.sizes):
            took[size] = scan(lab, fleet.span(size))
            floor = alone * size / AT_ONCE
            print(
                f"{size:,} devices {took[size]:.1f} s; {kind} alone {alone:.1f} s, times devices / {AT_ONCE} = {floor:.1f} s"
            )
            print(
                f"ratio {took[size] / floor:.2f} (floor {floor:.1f} s, ours {took[size]:.1f} s)", flush=True
            )
            failed |= took[size] / floor > options.at_most
    further = [
        (small, large, (took[large] - took[small]) / (large - small))
        for small, large in itertools.pairwise(took)
    ]
    for small, large, each in further:
        print(f"from {small:,} to {large:,} devices {each:.3f} s for each further one")
    for (*_, before), (*_, each) in itertools.pairwise(further):
        print(f"ratio {each / before:.2f} (floor {before:.3f} s, ours {each:.3f} s)")
        failed |= each / before > options.growth_at_most
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
