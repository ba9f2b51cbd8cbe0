"""What a scan of a fleet holds at its peak, with judging and storing, and how large its store becomes.

    python tests/benchmarks/scan_memory.py [--sizes 100 1000] [--limit]

Every scan is the command line's own, of the whole shipped baseline at reach ask, with a store; the lab is another process.
Memory is the largest resident set of the process that scans (ru_maxrss of wait4(2)), which forks nobody. With --limit the
status is 1 where a scan holds more than 150 MB and 5 kB a device, or keeps more than 50 kB a device.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from hardenprobe.demo_lab import fleet
from hardenprobe.demo_lab.process import RunningLab, running_lab

BASE, EACH, STORED = 150e6, 5e3, 50e3  # bytes in memory, in memory for each device, and in the store for each


def scan(lab: RunningLab, size: int) -> tuple[float, float, float]:
    """Seconds, bytes at the peak, and bytes of the store.

    Raises:
        RuntimeError: It did not end as a scan with findings does.
    """
    with tempfile.TemporaryDirectory() as folder, open(Path(folder) / "said", "w+") as said:
        store = Path(folder) / "reviews.db"
        command = [
            sys.executable, "-m", "hardenprobe", "scan", fleet.span(size), "--inventory", str(lab.inventory),
            "--trust-anchor", str(lab.ca_file), "--port-offset", str(lab.port_offset), "--store", str(store),
        ]  # fmt: skip
        begun = time.perf_counter()
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=said)
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        took = time.perf_counter() - begun
        if process.returncode not in (0, 1, 3):
            said.seek(0)
            raise RuntimeError(said.read())
        return took, used.ru_maxrss * 1024, store.stat().st_size


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--sizes", type=int, nargs="+", default=[100, 1000])
    parser.add_argument("--limit", action="store_true", help="exit 1 above the limits")
    options = parser.parse_args()
    failed = False
    with running_lab(fleet=max(options.sizes)) as lab:
        for size in sorted(options.sizes):
            took, peak, stored = scan(lab, size)
            limit = BASE + EACH * size
            print(
                f"{size:,} devices {took:.0f} s; peak {peak / 1e6:.1f} MB of {limit / 1e6:.1f}; "
                f"store {stored / size / 1e3:.1f} kB a device",
                flush=True,
            )
            failed |= peak > limit or stored > STORED * size
    return int(failed and options.limit)


if __name__ == "__main__":
    sys.exit(main())
