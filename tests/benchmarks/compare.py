"""Comparing two stored reviews of 10,000 devices, beside merely decoding both in the same run.

    python tests/benchmarks/compare.py [--devices 10000] [--few 2000] [--at-most 3.0]

The lab is scanned once, and stored as many devices (rejudge.py says how), twice. Decoding takes every row's record, results
and observations apart as JSON, which comparing cannot do without; comparing does that, looks up what the older review
tells of every finding, says why each changed, and writes the document. Each measurement is a process of its own, which
also tells the peak of its memory (ru_maxrss); the best of each side counts.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import rejudge

from hardenprobe.comparison.stored import Comparison
from hardenprobe.model import document
from hardenprobe.reports import comparison_json
from hardenprobe.store import opening
from hardenprobe.store.device_rows import head_of

REPETITIONS = 2


def decode(url: str) -> None:
    """What comparing cannot do without: each row of both as plain JSON types."""
    with opening.opened(url) as kept:
        for one in kept.reviews():
            for part in kept.parts(one.id):
                json.loads(part.record), json.loads(part.results), json.loads(part.observations)


def compare(url: str) -> None:
    """What `hardenprobe compare OLD NEW --json FILE` does."""
    with opening.opened(url) as kept, open(os.devnull, "wb") as out:
        comparison = Comparison(kept, "fleet", "again")
        comparison_json.write(comparison, comparison.devices(), out)


SIDES = {"decode": decode, "compare": compare}


def twice(url: Path, devices: int) -> None:
    """Store the same devices once more, as a review of the month after."""
    with opening.opened(str(url)) as kept:
        name = f"fleet-{devices}"
        outline = kept.outline(name)
        head = replace(outline.head, id=f"again-{devices}", started="2027-01-01T00:00:00Z")
        kept.save_parts(
            head.id, kept.parts(name), lambda: head_of(document.to_document(replace(outline, head=head)))
        )


def measured(side: str, url: Path) -> tuple[float, float]:
    """Seconds, and MiB at the peak, of one side in a process of its own."""
    done = subprocess.run(
        [sys.executable, __file__, "--side", side, "--store", url], capture_output=True, check=True, text=True
    )
    seconds, peak = map(float, done.stdout.split())
    return seconds, peak


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    asked.add_argument("--devices", type=int, default=10000)
    asked.add_argument("--few", type=int, default=2000)
    asked.add_argument(
        "--at-most", type=float, help="End with status 1 where comparing takes more times as long."
    )
    asked.add_argument("--side", choices=SIDES, help=argparse.SUPPRESS)
    asked.add_argument("--store", help=argparse.SUPPRESS)
    wanted = asked.parse_args()
    if wanted.side:
        began = time.perf_counter()
        SIDES[wanted.side](wanted.store)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(time.perf_counter() - began, peak)
        return
    best: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        lab = rejudge.scanned(Path(folder))
        for devices in (wanted.few, wanted.devices):
            url = Path(folder) / f"{devices}.db"
            rejudge.fill(lab, url, devices, results=True)
            twice(url, devices)
            for side in SIDES:
                sights = [measured(side, url) for _ in range(REPETITIONS)]
                best[side] = min(seconds for seconds, _ in sights)
                print(
                    f"{side:8} {devices:6,} devices twice  {best[side]:6.1f} s, peak {max(p for _, p in sights):.0f} MiB"
                )
            url.unlink()
    ratio = best["compare"] / best["decode"]
    print(f"ratio             {ratio:.2f}")
    sys.exit(wanted.at_most is not None and ratio > wanted.at_most)


if __name__ == "__main__":
    main()
